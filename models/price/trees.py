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
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import ForestError
from models.price.boosters import ZERO, Tree, read_boosters
from models.price.shapley import leaf_effects

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Words = NDArray[np.unsignedinteger]

_MAX_LEAVES = 64  # the bits of the widest word
_INTEGER_BITS = 61  # of int64, with room for a sign and a carry
_COARSEST = 36  # bits after the point that effects must keep: 1e-11 a leaf
_CHUNK_BYTES = 4 << 20  # of working memory
# A de Bruijn sequence: (1 << l) * _BRUIJN >> 58 differs for every l (Leiserson et al. 1998; memory).
_BRUIJN = np.uint64(0x03F79D71B4CB0A89)
_PLACE = np.empty(64, np.int64)
_PLACE[(((np.uint64(1) << np.arange(64, dtype=np.uint64)) * _BRUIJN) >> np.uint64(58)).astype(int)] = range(
    64
)


@dataclass(frozen=True)
class Forest:
    """Boosters over the same p columns whose predictions are averaged.

    `columns`: the p names. `used`: (u,) the columns that any tree splits on. `edges`: (e,) the thresholds of
    those columns side by side, each ascending and closed by +inf; `starts`: (u,) where each begins. `met`: (e
    + u, T) words, a bit per leaf, of every bin; `bins`: (u,) where each column's begin. `leaves`: (T, bits of
    a word) values in units of 2**-`unit`; `coarse`: the same in units of 2**-`coarse_unit`, which leave room
    for weights. `boosters`: the number that the sum is divided by. `depth`: the most columns that one path
    splits on.
    """

    columns: tuple[str, ...]
    used: IntArray
    edges: FloatArray
    starts: IntArray
    bins: IntArray
    met: Words
    leaves: IntArray
    unit: int
    coarse: IntArray
    coarse_unit: int
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
        base = np.arange(trees) * width
        step = max(1, _CHUNK_BYTES // (8 * trees + 8 * len(self.edges) + 1))
        for at in range(0, len(X), step):
            words = self._reached(self._bins(X[at : at + step]))
            places = _PLACE[(words.astype(np.uint64) * _BRUIJN) >> np.uint64(58)]
            total[at : at + step] = self.leaves.ravel()[places + base].sum(axis=1)
        return np.ldexp(total.astype(np.float64), -self.unit) / self.boosters

    def contributions(
        self,
        X: FloatArray,  # noqa: N803
        R: FloatArray,  # noqa: N803
        players: IntArray,
        n_players: int,
    ) -> FloatArray:
        """(n, n_players) baseline Shapley effects of n pairs: subjects X (n, p) from references R (n, p).

        `players`: (p,) the player of every column, in [0, n_players); columns of one player move together.
        Row sums are predict(X) − predict(R) to 1e-9 (the trees' values are rounded to `coarse_unit` bits). A
        player whose columns fall in the same bins for both gets exactly 0.
        """
        X, R = self._checked(X), self._checked(R)  # noqa: N806
        players = np.asarray(players, np.int64)
        if X.shape != R.shape or players.shape != (X.shape[1],):
            raise ValueError(f"shapes disagree: X {X.shape}, R {R.shape}, players {players.shape}")
        if players.size and not 0 <= players.min() <= players.max() < n_players:
            raise ValueError(f"players must lie in [0, {n_players})")
        order = np.argsort(players[self.used], kind="stable")
        owner = players[self.used][order]
        out = np.zeros((len(X), n_players))
        scale = 2.0**self.coarse_unit * math.lcm(*range(1, self.depth + 1)) * self.boosters
        for i in range(len(X)):
            bins = self._bins(np.stack((X[i], R[i])))[:, order]
            out[i] = (
                leaf_effects(self.met, bins[0], bins[1], owner, n_players, self.coarse, self.depth) / scale
            )
        return out

    def _checked(self, X: FloatArray) -> FloatArray:  # noqa: N803
        X = np.asarray(X, np.float64)  # noqa: N806
        if X.ndim != 2 or X.shape[1] != len(self.columns):
            raise ValueError(f"expected rows of {len(self.columns)} columns, got an array of shape {X.shape}")
        return X

    def _bins(self, X: FloatArray) -> IntArray:  # noqa: N803
        """(n, u) the row of `met` that every used column of every row falls in."""
        column = np.repeat(self.used, np.diff(self.starts, append=len(self.edges)))
        # Not "above": NaN lies past every edge, +inf included, and so gets the last bin.
        past = ~(X[:, column] <= self.edges)
        bins: IntArray = self.bins + np.add.reduceat(past, self.starts, axis=1, dtype=np.int64)
        return bins

    def _reached(self, bins: IntArray) -> Words:
        """(n, T) words in which only the bit of the leaf reached is set."""
        words = self.met[bins[:, 0]]
        for column in range(1, bins.shape[1]):
            words &= self.met[bins[:, column]]
        return words


def _build(columns: tuple[str, ...], trees: Sequence[Tree], boosters: int) -> Forest:
    edges = _edges(trees)
    used = np.array(sorted(edges), np.int64)
    sizes = np.array([len(edges[c]) for c in used], np.int64)
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1])) if len(used) else np.zeros(0, np.int64)
    width = next(w for w in (8, 16, 32, 64) if w >= max((len(t.leaves) for t in trees), default=1))
    bins = starts + np.arange(len(used))
    met = np.empty((sizes.sum() + len(used), len(trees)), f"<u{width // 8}")
    rows = {int(c): slice(b, b + s + 1) for c, b, s in zip(used, bins, sizes, strict=True)}
    depth = 1
    for t, tree in enumerate(trees):
        met[:, t] = (1 << len(tree.leaves)) - 1
        depth = max(depth, _enter(tree, met[:, t], rows, edges))
    leaves = np.zeros((len(trees), width))
    for t, tree in enumerate(trees):
        leaves[t, : len(tree.leaves)] = tree.leaves
    whole = math.frexp(float(np.abs(leaves).max(axis=1, initial=0.0).sum()))[1]
    unit = _INTEGER_BITS - whole
    coarse_unit = unit - 1 - math.lcm(*range(1, depth + 1)).bit_length()
    if coarse_unit < _COARSEST:
        raise ForestError(
            f"trees with {depth} features on one path are too deep; fit with a smaller max_depth"
        )
    return Forest(
        columns,
        used,
        np.concatenate([edges[c] for c in used]) if len(used) else np.zeros(0),
        starts,
        bins,
        met,
        np.rint(np.ldexp(leaves, unit)).astype(np.int64),
        unit,
        np.rint(np.ldexp(leaves, coarse_unit)).astype(np.int64),
        coarse_unit,
        boosters,
        depth,
    )


def _edges(trees: Sequence[Tree]) -> dict[int, FloatArray]:
    """The upper ends of every used column's bins, +inf last: a bin goes one way at every node."""
    found: dict[int, set[float]] = {}
    for tree in trees:
        for node, column in enumerate(tree.column):
            ends = found.setdefault(int(column), {math.inf})
            ends.add(float(tree.threshold[node]))
            if tree.zero_is_missing(node):
                ends |= {math.nextafter(-ZERO, -math.inf), ZERO}
    found = found or {0: {math.inf}}  # trees that never split: one bin that all rows share
    return {column: np.array(sorted(ends)) for column, ends in found.items()}


def _enter(tree: Tree, met: Words, rows: dict[int, slice], edges: dict[int, FloatArray]) -> int:
    """Clear, in the tree's words of every bin, what the bin rules out; the most columns on a path."""
    m = len(tree.column)
    below = [0] * m
    for node in range(m - 1, -1, -1):
        on_left, on_right = (
            below[c] if c >= 0 else 1 << (-1 - int(c)) for c in (tree.left[node], tree.right[node])
        )
        below[node] = on_left | on_right
        column = int(tree.column[node])
        left = tree.goes_left(node, np.append(edges[column], np.nan))
        lost = np.where(left, np.uint64(on_right), np.uint64(on_left))
        met[rows[column]] &= ~lost.astype(met.dtype)
    paths: list[set[int]] = [set() for _ in range(m)]
    for node in range(m):
        paths[node].add(int(tree.column[node]))
        for child in (tree.left[node], tree.right[node]):
            if child >= 0:
                paths[child] |= paths[node]
    return max((len(path) for path in paths), default=0)
