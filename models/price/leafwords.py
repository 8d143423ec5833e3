"""From the splits of many trees to one table of words: which leaves each bin of a column allows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.price.boosters import MISSING_NAN, MISSING_ZERO, Tree

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Words = NDArray[np.unsignedinteger]

_ZERO = float(np.float32(1e-35))  # LightGBM's kZeroThreshold: what is no larger, it reads as 0


@dataclass(frozen=True)
class Splits:
    """All splits of all trees, (m,) each; `on_left`, `on_right`: words of the leaves on either side."""

    tree: IntArray
    column: IntArray
    threshold: FloatArray
    missing: IntArray
    default_left: NDArray[np.bool_]
    on_left: Words
    on_right: Words

    def of(self, column: int) -> Splits:
        keep = self.column == column
        return Splits(*(values[keep] for values in vars(self).values()))

    def goes_left(self, x: float) -> NDArray[np.bool_]:
        """(m,) whether the value x goes left at each split: LightGBM's `Tree::NumericalDecision`."""
        x = 0.0 if abs(x) <= _ZERO else x
        known = np.where(math.isnan(x) & (self.missing != MISSING_NAN), 0.0, x)
        zero = (self.missing == MISSING_ZERO) & (known == 0)
        left: NDArray[np.bool_] = np.where(zero | np.isnan(known), self.default_left, known <= self.threshold)
        return left


def all_splits(trees: Sequence[Tree], word: np.dtype[np.unsignedinteger]) -> Splits:
    """The splits of all trees, and the leaves on either side of each as words of this type."""
    sides = [side for tree in trees for side in _sides(tree)]

    def joined(name: str) -> list[Any]:
        return [entry for tree in trees for entry in getattr(tree, name)]

    return Splits(
        tree=np.repeat(np.arange(len(trees)), [len(tree.column) for tree in trees]),
        column=np.array(joined("column"), np.int64),
        threshold=np.array(joined("threshold"), np.float64),
        missing=np.array(joined("missing"), np.int64),
        default_left=np.array(joined("default_left"), np.bool_),
        on_left=np.array([left for left, _ in sides], word),
        on_right=np.array([right for _, right in sides], word),
    )


def _sides(tree: Tree) -> list[tuple[int, int]]:
    """The words of the leaves on the left and on the right of every split."""
    sides = [(0, 0)] * len(tree.column)
    for i in range(len(sides) - 1, -1, -1):
        left, right = (
            sides[c][0] | sides[c][1] if c >= 0 else 1 << -1 - c for c in (tree.left[i], tree.right[i])
        )
        sides[i] = (left, right)
    return sides


def columns_on_a_path(tree: Tree) -> int:
    """The most different columns on one path, at least 1."""
    seen = [0] * len(tree.column)
    for i, column in enumerate(tree.column):
        seen[i] |= 1 << column
        for child in (tree.left[i], tree.right[i]):
            if child >= 0:
                seen[child] = seen[i]
    return max((word.bit_count() for word in seen), default=1)


def bin_edges(splits: Splits) -> dict[int, FloatArray]:
    """The upper ends of every used column's bins, +inf last: a bin goes one way at every split."""
    edges = {}
    for column in np.unique(splits.column).tolist():
        own = splits.of(column)
        apart = (own.missing == MISSING_ZERO) | (np.abs(own.threshold) <= _ZERO)
        zero = [math.nextafter(-_ZERO, -math.inf), _ZERO] if apart.any() else []
        edges[column] = np.unique(np.concatenate((own.threshold, zero, [math.inf])))
    return edges or {0: np.array([math.inf])}  # trees that never split: one bin that all rows share


def leaf_words(splits: Splits, edges: dict[int, FloatArray], trees: Sequence[Tree]) -> Words:
    """(bins, T) the words of every bin of every column: all leaves but those that the bin rules out."""
    full = np.array([(1 << len(tree.leaves)) - 1 for tree in trees], splits.on_left.dtype)
    rows = []
    for column, ends in edges.items():
        own = splits.of(column)
        for x in (*ends.tolist(), math.nan):
            row = full.copy()
            np.bitwise_and.at(row, own.tree, ~np.where(own.goes_left(x), own.on_right, own.on_left))
            rows.append(row)
    return np.stack(rows)
