"""A bag of boosters as one table of bits: value and baseline Shapley effects, both exact.

Every column's values fall into bins between the thresholds that the forest has on it, with a bin of its own
for NaN. For every bin and tree one word says which leaves have all their conditions on that column met: bit l
for leaf l. The words of a row's bins, ANDed over the columns, leave one bit per tree: the leaf that the row
reaches (after Lucchese et al. 2015, QuickScorer; memory). ANDed over the columns of one player only, they say
which leaves that player alone would allow, which is all that Shapley values need.

Leaf values are whole numbers of a tiny unit, so sums are exact in any order: a batch equals its rows to the
bit, effects add up, and where the forest is monotone rounding cannot turn a sign.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import ForestError
from models.price.boosters import Tree, read_boosters
from models.price.leafwords import all_splits, bin_edges, columns_on_a_path, leaf_words
from models.price.shapley import leaf_effects, leaf_weights, weight_unit

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Words = NDArray[np.unsignedinteger]

_MAX_LEAVES = 64  # the bits of the widest word
_MAX_SWITCHES = 4
_INTEGER_BITS = 61  # of int64, with room for a sign and a carry
_LEAST_BITS = 42  # that a prediction must keep
_CHUNK_BYTES = 1 << 20  # of words at a time: they stay in the cache, and memory stays bounded


@dataclass(frozen=True)
class Forest:
    """Boosters over the same p columns whose predictions are averaged.

    `columns`: the p names. `used`: (u,) the columns that any tree splits on. `edges`: (e,) the thresholds of
    those columns side by side, each ascending and closed by +inf; `edge_column`: (e,) whose they are;
    `starts`: (u,) where each column's begin. `met`: (e + u, T) words, a bit per leaf, of every bin; `bins`:
    (u,) where each column's begin. `leaves`: (T, bits of a word) values in units of 2**-`unit`; `parts`: (2,
    T, bits of a word) the same as high · 2**`low_bits` + low, so that weighted sums of either part fit an
    int64. `boosters`: what the sum is divided by. `depth`: the most columns that one path splits on.
    """

    columns: tuple[str, ...]
    used: IntArray
    edges: FloatArray
    edge_column: IntArray
    starts: IntArray
    bins: IntArray
    met: Words
    leaves: IntArray
    unit: int
    parts: IntArray
    low_bits: int
    boosters: int
    depth: int

    @staticmethod
    def from_text(texts: Sequence[str]) -> Forest:
        """The forest of one bag of boosters, each as `Booster.model_to_string()` writes it.

        Raises ForestError for a text that is damaged or holds what cannot be explained (see `read_booster`),
        for trees of more than 64 leaves, and for trees too deep for exact effects.
        """
        boosters = read_boosters(texts)
        trees = [tree for booster in boosters for tree in booster.trees]
        if max((len(tree.leaves) for tree in trees), default=0) > _MAX_LEAVES:
            raise ForestError(f"trees may have {_MAX_LEAVES} leaves at most; fit with a smaller num_leaves")
        return _build(boosters[0].columns, trees, len(boosters))

    def predict(self, X: FloatArray) -> FloatArray:  # noqa: N803
        """(n,) the mean prediction of the boosters at the rows of X (n, p); NaN: not known."""
        X = self._checked(X)  # noqa: N806
        total = np.empty(len(X), np.int64)
        trees, width = self.leaves.shape
        first = np.arange(trees) * width
        for rows in self._chunks(len(X), 1):
            bins = self._bins(X[rows])
            words = np.bitwise_and.reduce(self.met.take(bins.T, axis=0), axis=0)
            # One bit is set in each word; below it there are as many zeros as the leaf's number.
            leaf = np.bitwise_count(words - self.met.dtype.type(1)) + first
            total[rows] = self.leaves.ravel().take(leaf).sum(axis=1)
        return np.ldexp(total.astype(np.float64), -self.unit) / self.boosters

    def contributions(
        self,
        X: FloatArray,  # noqa: N803
        R: FloatArray,  # noqa: N803
        players: IntArray,
        n_players: int,
    ) -> FloatArray:
        """(n, n_players) baseline Shapley effects of n pairs: subjects X (n, p), references R (n, p).

        `players`: (p,) the player of every column, in [0, n_players); columns of one player move together.
        Row sums are predict(X) − predict(R). A player whose columns fall in the same bins on both sides gets
        exactly 0. Raises ValueError for shapes that disagree.
        """
        X, R = self._checked(X), self._checked(R)  # noqa: N806
        return self.switched_contributions(X[:, None], R[:, None], players, n_players)[0]

    def switched_contributions(
        self,
        X: FloatArray,  # noqa: N803
        R: FloatArray,  # noqa: N803
        players: IntArray,
        n_players: int,
    ) -> tuple[FloatArray, FloatArray]:
        """Effects (n, n_players) of the players and (n, m) of m ≤ 4 switches, which columns share.

        X, R: (n, 2**m, p) subjects and references in every state of the switches: in state q, switch j is the
        subject's where bit j of q is set, and each column has the two values that its own player gives it
        there. Row sums are predict(X[:, -1]) − predict(R[:, 0]). Raises ValueError for shapes that disagree.
        """
        X, R, players = np.asarray(X, np.float64), np.asarray(R, np.float64), np.asarray(players, np.int64)  # noqa: N806
        switches = self._checked_game(X, R, players, n_players)
        weights, whole = leaf_weights(self.depth + _MAX_SWITCHES)
        owner, p = players[self.used], len(self.columns)
        parts = np.zeros((2, len(X), n_players + switches), np.int64)
        for rows in self._chunks(len(X), 2 << switches):
            bins = self._bins(np.concatenate((X[rows], R[rows])).reshape(-1, p))
            bins = bins.reshape(2, -1, 1 << switches, len(owner))
            parts[:, rows] = leaf_effects(self.met, bins, owner, n_players, self.parts, weights)
        # Carried first, so that adding the parts cannot turn a sign: 0 ≤ low < 2**low_bits.
        high = (parts[0] + (parts[1] >> self.low_bits)).astype(np.float64)
        low = (parts[1] & ((1 << self.low_bits) - 1)).astype(np.float64)
        effects = np.ldexp(
            (high + np.ldexp(low, -self.low_bits)) / (whole * self.boosters), self.low_bits - self.unit
        )
        return effects[:, :n_players], effects[:, n_players:]

    def _checked_game(self, X: FloatArray, R: FloatArray, players: IntArray, n_players: int) -> int:  # noqa: N803
        """The number of switches."""
        p = len(self.columns)
        if X.shape != R.shape or X.ndim != 3 or X.shape[2] != p or players.shape != (p,):
            raise ValueError(
                f"shapes disagree: X {X.shape}, R {R.shape}, players {players.shape}; "
                f"allowed: (n, {p}) or (n, 2**switches, {p}) twice, ({p},)"
            )
        if X.shape[1].bit_count() != 1 or X.shape[1] > 1 << _MAX_SWITCHES:
            raise ValueError(
                f"{X.shape[1]} states; allowed: 2**switches with at most {_MAX_SWITCHES} switches"
            )
        if players.min() < 0 or players.max() >= n_players:
            raise ValueError(f"players must lie in [0, {n_players})")
        return int(X.shape[1]).bit_length() - 1

    def _chunks(self, n: int, copies: int) -> Iterator[slice]:
        row = copies * len(self.used) * max(self.met[0].nbytes, 1)
        step = max(1, _CHUNK_BYTES // row)
        return (slice(at, at + step) for at in range(0, n, step))

    def _checked(self, X: FloatArray) -> FloatArray:  # noqa: N803
        X = np.asarray(X, np.float64)  # noqa: N806
        if X.ndim != 2 or X.shape[1] != len(self.columns):
            raise ValueError(f"expected rows of {len(self.columns)} columns, got an array of shape {X.shape}")
        return X

    def _bins(self, X: FloatArray) -> IntArray:  # noqa: N803
        """(n, u) the row of `met` that every used column of every row falls in."""
        # Not "above": NaN lies past every edge, +inf included, and so gets the last bin.
        past = ~(X.take(self.edge_column, axis=1) <= self.edges)
        bins: IntArray = np.add.reduceat(past, self.starts, axis=1, dtype=np.int64) + self.bins
        return bins


def _build(columns: tuple[str, ...], trees: Sequence[Tree], boosters: int) -> Forest:
    width = next(w for w in (8, 16, 32, 64) if w >= max((len(t.leaves) for t in trees), default=1))
    splits = all_splits(trees, np.dtype(f"<u{width // 8}"))
    edges = bin_edges(splits)
    used = np.array(list(edges), np.int64)
    sizes = np.array([len(ends) for ends in edges.values()], np.int64)
    starts = np.cumsum(sizes) - sizes
    depth = max(map(columns_on_a_path, trees), default=1)
    leaves, unit, low_bits = _whole_leaves(trees, width, depth)
    return Forest(
        columns=columns,
        used=used,
        edges=np.concatenate(list(edges.values())),
        edge_column=np.repeat(used, sizes),
        starts=starts,
        bins=starts + np.arange(len(used)),
        met=leaf_words(splits, edges, trees),
        leaves=leaves,
        unit=unit,
        parts=np.stack((leaves >> low_bits, leaves & ((1 << low_bits) - 1))),
        low_bits=low_bits,
        boosters=boosters,
        depth=depth,
    )


def _whole_leaves(trees: Sequence[Tree], width: int, depth: int) -> tuple[IntArray, int, int]:
    """The leaf values in units of 2**-unit, the unit, and the low bits to sum apart from the rest.

    A player's weights in one tree sum to 1 at most. So the sum of low parts needs the bits of the weights,
    the trees and the low part, that of high parts those of the weights, the largest prediction and the high
    part.
    """
    leaves = np.zeros((len(trees), width))
    for row, tree in zip(leaves, trees, strict=True):
        row[: len(tree.leaves)] = tree.leaves
    weight_bits = weight_unit(depth + _MAX_SWITCHES).bit_length()
    low_bits = min(_INTEGER_BITS - weight_bits - len(trees).bit_length(), 50)
    high_bits = _INTEGER_BITS - 1 - weight_bits
    bits = min(_INTEGER_BITS, low_bits + high_bits)
    if bits < _LEAST_BITS:
        raise ForestError(f"trees with {depth} features on one path are too deep; fit with a lower max_depth")
    unit = bits - math.frexp(float(np.abs(leaves).max(axis=1).sum()))[1]
    return np.rint(np.ldexp(leaves, unit)).astype(np.int64), unit, low_bits
