"""Exact Shapley values of small games, and of products whose parts a few shared players switch.

A game is played between a subject and a reference: v(S) is the value of the hybrid that has the subject's
side of the players in S and the reference's of all others. Effects sum to v(all) − v(none). Every answer of a
batch equals, to the bit, the answer of its row alone, and where no hybrid's step has the wrong sign no effect
has.

Losses weigh differently by build: the build moves the scale of every other player's part. Such shared players
are called switches here. m switches have 2**m states; state q has switch j at the subject's side where bit j
of q is set. Within a state every other player has two sides of its own, and the value is their product:

    v(S) = Π_i of (s_i^q if i in S else r_i^q),   q the state of the switches that are in S

By the multilinear extension (Owen 1972; memory) a player's effect is ∫₀¹ of the extension's derivative along
t ↦ (t, …, t). Each state weighs t^|q| (1−t)^(m−|q|) there. With the backbone's scale × loss and its cap C,
the loss is C · (1 − Π exp(−scale^q · loss_i / C)): minus C times a product.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_MAX_CORNER_PLAYERS = 4
_CHUNK = 256  # rows at a time, so that memory stays bounded


def corner_game(values: FloatArray) -> FloatArray:
    """(n, k) Shapley values of n games of k ≤ 4 players from the values of all their hybrids.

    `values`: (n, 2**k); column c is the hybrid in which player j is the subject's where bit j of c is set.
    From Shapley (1953): the mean over all orders of what a player adds.
    """
    values = np.asarray(values, np.float64)
    if values.ndim != 2 or values.shape[1] not in [1 << k for k in range(_MAX_CORNER_PLAYERS + 1)]:
        raise ValueError(
            f"expected (n, 2**k) values with k at most {_MAX_CORNER_PLAYERS}, got {values.shape}"
        )
    k = values.shape[1].bit_length() - 1
    effects = np.zeros((len(values), k))
    for player in range(k):
        for corner in range(1 << k):
            if not corner >> player & 1:
                before = corner.bit_count()
                weight = math.factorial(before) * math.factorial(k - 1 - before) / math.factorial(k)
                effects[:, player] += weight * (values[:, corner | 1 << player] - values[:, corner])
    return effects


def switched_product(s: FloatArray, r: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Effects (n, k) of the players and (n, m) of the switches in n products of parts s, r (n, 2**m, k).

    The integrand has degree k + m − 1: Gauss–Legendre with ⌈(k + m) / 2⌉ nodes is exact. Nothing is divided
    by a part: parts may be zero.
    """
    s, r, m = _checked(s, r)
    players, switches = np.empty(s[:, 0].shape), np.empty((len(s), m))
    for at in range(0, len(s), _CHUNK):
        rows = slice(at, at + _CHUNK)
        players[rows], switches[rows] = _products_effects(s[rows], r[rows], m)
    return players, switches


def _products_effects(s: FloatArray, r: FloatArray, m: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = gauss_legendre((s.shape[2] + m + 1) // 2)
    t = nodes[:, None, None, None]
    others, whole = _products(t * s + (1 - t) * r)
    count = _in_state(m)
    t, w = nodes[:, None], weights[:, None]
    chance = w * t**count * (1 - t) ** (m - count)
    terms = (chance[:, None, :, None] * ((s - r) * others)).swapaxes(1, 2)
    players = _ordered_sum(terms.reshape(chance.size, len(s), s.shape[2]))
    switches = np.zeros((len(s), m))
    for j in range(m):
        off = np.flatnonzero(~np.arange(1 << m) >> j & 1)
        steps = whole[:, :, off | 1 << j] - whole[:, :, off]
        chance = w * t ** count[off] * (1 - t) ** (m - 1 - count[off])  # without the switch's own share
        switches[:, j] = _ordered_sum((chance[:, None] * steps).swapaxes(1, 2).reshape(chance.size, len(s)))
    return players, switches


@lru_cache(maxsize=64)
def gauss_legendre(size: int) -> tuple[FloatArray, FloatArray]:
    """(size,) nodes and weights on [0, 1]: exact for polynomials of degree 2 · size − 1."""
    nodes, weights = np.polynomial.legendre.leggauss(max(size, 1))
    return (nodes + 1) / 2, weights / 2


def _checked(s: FloatArray, r: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    s, r = np.asarray(s, np.float64), np.asarray(r, np.float64)
    if s.ndim != 3 or s.shape != r.shape or s.shape[1].bit_count() != 1:
        raise ValueError(f"s and r must both be (n, 2**m, k), got {s.shape} and {r.shape}")
    return s, r, s.shape[1].bit_length() - 1


def _in_state(m: int) -> NDArray[np.int64]:
    return np.array([q.bit_count() for q in range(1 << m)])


def _products(parts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Along the last axis: for each part the product of the others, and the product of all."""
    if not parts.shape[-1]:
        return parts, np.ones(parts.shape[:-1])
    before = np.multiply.accumulate(parts, axis=-1)
    after = np.multiply.accumulate(parts[..., ::-1], axis=-1)[..., ::-1]
    others = np.ones_like(parts)
    others[..., 1:] = before[..., :-1]
    others[..., :-1] *= after[..., 1:]
    return others, before[..., -1]


def _ordered_sum(terms: FloatArray) -> FloatArray:
    """Over the first axis, one after the other: the order in which numpy's sum adds depends on the shape."""
    if not len(terms):
        return np.zeros(terms.shape[1:])
    total: FloatArray = np.add.accumulate(terms, axis=0)[-1]
    return total
