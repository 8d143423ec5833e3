"""Exact baseline Shapley values of games that have a closed form, without sampling and without enumeration.

A game is played between a subject and a reference: v(S) is the value of the hybrid that has the subject's
side of the players in S and the reference's of all others. Effects sum to v(all) − v(none). Every answer of a
batch equals, to the bit, the answer of its row alone, and where no hybrid's step has the wrong sign no effect
has.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Words = NDArray[np.unsignedinteger]

_MAX_CORNER_PLAYERS = 4


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


def product_game(s: FloatArray, r: FloatArray) -> FloatArray:
    """(n, k) Shapley values of n games v(S) = Π_{i in S} s_i · Π_{i not in S} r_i, factors s, r (n, k).

    By the multilinear extension (Owen 1972; memory): φ_i = ∫₀¹ (s_i − r_i) Π_{j≠i} (t s_j + (1−t) r_j) dt, a
    polynomial of degree k − 1, for which Gauss–Legendre with ⌈k/2⌉ nodes is exact. Nothing is divided by a
    factor: factors may be zero. Players with equal factors get exactly 0.
    """
    s, r = np.asarray(s, np.float64), np.asarray(r, np.float64)
    if s.ndim != 2 or s.shape != r.shape:
        raise ValueError(f"expected two arrays of shape (n, k), got {s.shape} and {r.shape}")
    if s.shape[1] == 0:
        return np.zeros(s.shape)
    nodes, weights = _gauss_legendre((s.shape[1] + 1) // 2)
    t = nodes[:, None, None]
    mixed = t * s + (1 - t) * r
    around = np.ones_like(mixed)
    np.multiply.accumulate(mixed[:, :, :-1], axis=2, out=around[:, :, 1:])
    after = np.multiply.accumulate(mixed[:, :, :0:-1], axis=2)[:, :, ::-1]
    around[:, :, :-1] *= after
    # Accumulated, not summed: numpy's order of summing depends on the shape, and a batch must equal its rows.
    means: FloatArray = np.add.accumulate(weights[:, None, None] * around, axis=0)[-1]
    return (s - r) * means


@lru_cache(maxsize=64)
def _gauss_legendre(size: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights on [0, 1]."""
    nodes, weights = np.polynomial.legendre.leggauss(size)
    return (nodes + 1) / 2, weights / 2


@lru_cache(maxsize=64)
def leaf_weights(most: int) -> tuple[IntArray, int]:
    """(most + 1, most + 1) weights of a leaf in whole numbers, and the number they are fractions of.

    A leaf that needs the subject's side of `a` players and the reference's of `b` gives each of the `a` the
    weight [a, b] = (a−1)! b! / (a+b)!, and each of the `b` minus the weight [b, a]; 0 for a = 0 or a + b >
    `most`.
    """
    whole = math.lcm(*range(1, most + 1))
    weights = np.zeros((most + 1, most + 1), np.int64)
    for a in range(1, most + 1):
        for b in range(most + 1 - a):
            weights[a, b] = whole // (a * math.comb(a + b, a))
    return weights, whole


def leaf_effects(
    met: Words, s: IntArray, r: IntArray, owner: IntArray, n_players: int, leaves: IntArray, depth: int
) -> IntArray:
    """(n_players,) Shapley values of a forest between one subject and one reference, times lcm(1 … depth).

    `met`: (bins, T) words, bit l of which is set where the bin meets all conditions that leaf l has on its
    column. `s`, `r`: (u,) the bins of the subject's and the reference's columns. `owner`: (u,) the player of
    each column, ascending. `leaves`: (T, bits) values in whole units. `depth`: at least the most columns on
    one path.

    With A the players of which only the subject meets a leaf's conditions and B those of which only the
    reference does, the leaf gives each of A its value times (|A|−1)! |B|! / (|A|+|B|)! and each of B minus
    its value times |A|! (|B|−1)! / (|A|+|B|)!; a leaf with a player that neither meets gives nothing.
    """
    effects = np.zeros(n_players, np.int64)
    differ = s != r
    who, ours, theirs = _merged(owner[differ], met[s[differ]], met[r[differ]])
    if not len(who):
        return effects
    alive = np.bitwise_and.reduce(met[s[~differ]], axis=0) & np.bitwise_and.reduce(ours | theirs, axis=0)
    sides = np.concatenate((ours & ~theirs, theirs & ~ours)) & alive
    bits = np.unpackbits(sides.view(np.uint8), axis=1, bitorder="little").reshape(2, len(who), leaves.size)
    a, b = bits.sum(axis=1, dtype=np.int64)
    weights, _ = leaf_weights(depth)
    worth = np.stack((weights[a, b], -weights[b, a])) * leaves.ravel()
    side, player, leaf = np.nonzero(bits)
    np.add.at(effects, who[player], worth[side, leaf])
    return effects


def _merged(owner: IntArray, ours: Words, theirs: Words) -> tuple[IntArray, Words, Words]:
    """The words of several columns of one player ANDed into one row per player."""
    first = np.flatnonzero(np.diff(owner, prepend=-1))
    if len(first) == len(owner):
        return owner, ours, theirs
    ours, theirs = (np.bitwise_and.reduceat(words, first, axis=0) for words in (ours, theirs))
    return owner[first], ours, theirs
