"""Exact baseline Shapley values of small games and of forests, without sampling.

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

from models.price.games import switched_product

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

    Nothing is divided by a factor: factors may be zero. Players with equal factors get exactly 0.
    """
    s, r = np.asarray(s, np.float64), np.asarray(r, np.float64)
    return switched_product(s[:, None], r[:, None])[0]


def weight_unit(most: int) -> int:
    """The number that all weights of leaves of at most so many players are fractions of."""
    return math.lcm(*range(1, most + 1))


@lru_cache(maxsize=64)
def leaf_weights(most: int) -> tuple[IntArray, int]:
    """(most + 1, most + 1) weights of a leaf in whole numbers, and the `weight_unit` they are fractions of.

    A leaf that needs the subject's side of `a` players and the reference's of `b` gives each of the `a` the
    weight [a, b] = (a−1)! b! / (a+b)!, and each of the `b` minus the weight [b, a]; 0 for a = 0 or a + b >
    `most`.
    """
    unit = weight_unit(most)
    weights = np.zeros((most + 1, most + 1), np.int64)
    for a in range(1, most + 1):
        for b in range(most + 1 - a):
            weights[a, b] = unit // (a * math.comb(a + b, a))
    return weights, unit


def leaf_effects(
    met: Words, bins: IntArray, owner: IntArray, n_players: int, values: IntArray, weights: IntArray
) -> IntArray:
    """(parts, n, n_players + m) Shapley values of a forest for n pairs, times the `weight_unit`.

    `met`: (bins, T) words, bit l of which is set where the bin meets all conditions that leaf l has on its
    column. `bins`: (2, n, 2**m, u) rows of `met` for u columns of the subjects and of their references, in
    every state of m switches (see `models.price.games`); their effects come last. `owner`: (u,) the player of
    each column. `values`: (parts, T, bits of a word) whole numbers, each part summed on its own. `weights`:
    `leaf_weights` of at least m + the most columns on one path.

    With A the players of which only the subject meets a leaf's conditions and B those of which only the
    reference does, the leaf gives each of A its value times (|A|−1)! |B|! / (|A|+|B|)! and each of B minus
    its value times |A|! (|B|−1)! / (|A|+|B|)!; a leaf with a player that neither meets gives nothing. In a
    state, the switches at the subject's side are of A and the others of B.
    """
    _, n, states, u = bins.shape
    switches = states.bit_length() - 1
    who, words = _by_player(met, bins.reshape(2, n * states, u), owner)
    alive = np.bitwise_and.reduce(words[0] | words[1], axis=0)
    words &= (words[0] ^ words[1]) & alive  # now (2, players, n · states, T): A, then B
    row, slot = _set_bits(words.reshape(2 * len(who), alive.size))
    slots = n * states * values[0].size  # pair, state, tree, leaf
    at = slot + slots * (row >= len(who))
    sizes = np.bincount(at, minlength=2 * slots).reshape(2, slots)
    if switches:
        on = np.array([state.bit_count() for state in range(states)])
        sizes.reshape(2, n, states, values[0].size)[:] += np.stack((on, switches - on))[:, None, :, None]
    effects = np.zeros((len(values), n * (n_players + switches)), np.int64)

    def give(players: IntArray, slot: IntArray, gain: IntArray) -> None:
        at = slot // (slots // n) * (n_players + switches) + players
        leaf = slot % values[0].size
        for total, value in zip(effects, values.reshape(len(values), -1), strict=True):
            np.add.at(total, at, gain * value.take(leaf))

    own, other = sizes.ravel().take(at), sizes.ravel().take(2 * slot + slots - at)
    gain = weights.ravel().take(own * len(weights) + other)
    gain[np.searchsorted(row, len(who)) :] *= -1
    give(who.take(row % len(who)), slot, gain)
    if switches:
        _, slot = _set_bits(alive.reshape(1, alive.size))
        state = slot // values[0].size % states
        a, b = sizes[:, slot]
        for switch in range(switches):
            gain = np.where(state >> switch & 1, weights[a, b], -weights[b, a])
            give(np.full(len(slot), n_players + switch), slot, gain)
    return effects.reshape(len(values), n, n_players + switches)


def _set_bits(words: Words) -> tuple[IntArray, IntArray]:
    """The row, and the bit's place in its row, of every bit that is set in words (rows, m)."""
    flat, width = words.ravel(), 8 * words.itemsize
    # Few words have any bit, and few bits are set: look for one, then for the other.
    at = np.flatnonzero(flat != 0)
    bit = np.flatnonzero(np.unpackbits(flat[at].view(np.uint8), bitorder="little").view(np.bool_))
    row, word = np.divmod(at.take(bit // width), words.shape[1])
    return row, word * width + bit % width


def _by_player(met: Words, bins: IntArray, owner: IntArray) -> tuple[IntArray, Words]:
    """The players that own columns, and their words (2, players, n, T): those of their columns, ANDed."""
    who, player = np.unique(owner, return_inverse=True)
    order = np.argsort(player, kind="stable")
    first = np.searchsorted(player[order], np.arange(len(who)))
    rank = np.arange(len(owner)) - first[player[order]]
    by_column = bins.transpose(0, 2, 1)
    words = met.take(by_column[:, order[rank == 0]], axis=0)
    for again in range(1, int(rank.max()) + 1):
        more = order[rank == again]
        words[:, player[more]] &= met.take(by_column[:, more], axis=0)
    return who, words
