"""Exact Shapley values of small games, and of products whose factors depend on a shared player, the switch.

A game is played between a subject and a reference: v(S) is the value of the hybrid with the subject's values
of the players in S and the reference's values of all others. Effects sum to v(all) − v(none). The answer for
a row does not depend, to the bit, on other rows in the call. If adding a player never raises the value of a
hybrid, the player's effect is never positive, and likewise for the other sign.

Losses are scaled by build, so the build, here the switch, changes the factor of every other player. With
q = 1 if the switch is in S, else 0, the value is a product over the other players:

    v(S) = Π_i of (s_i^q if i in S else r_i^q)

By the multilinear extension (Owen 1972; memory) a player's effect is ∫₀¹ of the extension's derivative along
t ↦ (t, …, t), where q is 1 with weight t. With the backbone's scale × loss and its cap C, the loss is
C · (1 − Π exp(−scale^q · loss_i / C)): minus C times a product.
"""

import math
from functools import lru_cache

import numpy as np

from models.price.core.basis import Floats

_MAX_CORNER_PLAYERS = 4


def corner_game(values: Floats) -> Floats:
    """Return (n, k) Shapley values of n games of k ≤ 4 players, from the values of all their hybrids.

    `values`: (n, 2**k); column c is the hybrid with the subject's value of player j if bit j of c is set. A
    Shapley value is the mean, over all orders of the players, of what the player adds (Shapley 1953). Raises
    ValueError for another shape.
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


def switched_product(s: Floats, r: Floats) -> tuple[Floats, Floats]:
    """Return (n, k) effects of the players and (n,) effects of the switch in n products of k factors.

    `s`, `r`: (n, 2, k) factors for the subject's and the reference's values; on the second axis, 0 is with
    the reference's switch and 1 with the subject's. The integrand has degree k, so Gauss–Legendre with
    ⌈(k + 1) / 2⌉ nodes is exact. Factors may be zero. Raises ValueError for other shapes.
    """
    if s.ndim != 3 or s.shape != r.shape or s.shape[1] != 2:
        raise ValueError(f"s and r must both be (n, 2, k), got {s.shape} and {r.shape}")
    nodes, weights = gauss_legendre((s.shape[2] + 2) // 2)
    t = nodes[:, None, None, None]
    others, whole = _products(t * s + (1 - t) * r)
    chance = weights[:, None] * np.stack([1 - nodes, nodes], axis=1)
    terms = (chance[:, None, :, None] * ((s - r) * others)).swapaxes(1, 2)
    steps = weights[:, None] * (whole[..., 1] - whole[..., 0])
    return _ordered_sum(terms.reshape(chance.size, len(s), s.shape[2])), _ordered_sum(steps)


@lru_cache(maxsize=64)
def gauss_legendre(size: int) -> tuple[Floats, Floats]:
    """Return (size,) nodes and weights on [0, 1], exact for polynomials of degree 2 · size − 1."""
    nodes, weights = np.polynomial.legendre.leggauss(max(size, 1))
    return (nodes + 1) / 2, weights / 2


def _products(parts: Floats) -> tuple[Floats, Floats]:
    """Return, along the last axis, for each factor the product of all others, and the product of all."""
    if not parts.shape[-1]:
        return parts, np.ones(parts.shape[:-1])
    before = np.multiply.accumulate(parts, axis=-1)
    after = np.multiply.accumulate(parts[..., ::-1], axis=-1)[..., ::-1]
    others = np.ones_like(parts)
    others[..., 1:] = before[..., :-1]
    others[..., :-1] *= after[..., 1:]
    return others, before[..., -1]


def _ordered_sum(terms: Floats) -> Floats:
    """Sum over the first axis in order, since the order of numpy's own sum depends on the shape."""
    return np.asarray(np.add.accumulate(terms, axis=0)[-1])
