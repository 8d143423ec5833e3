"""Interpolation of blocks over a number: one curve, linear between knots, for each state of other columns."""

import threading
from bisect import bisect_right
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.price.core.backbone import Backbone
from models.price.core.basis import Basis, Floats, Ints, Linear, Ramps, Smooth, Table
from models.price.evaluator.pieces import Interpolation, Pieces


class Curves:
    """Groups of blocks that each depend on one number, and perhaps on other columns.

    A group has a curve for each state (combination of values) of its other columns. Pieces at knots are
    cached on first use. `groups`: the positions of each group's blocks. `columns`: of each group's number.
    """

    def __init__(
        self, backbone: Backbone, pieces: Pieces, groups: Sequence[Sequence[int]], columns: Sequence[str]
    ) -> None:
        self._pieces, self._groups, self._columns = pieces, groups, columns
        each = [[b for at in positions for b in backbone.blocks[at].bases] for positions in groups]
        pairs = list(zip(each, columns, strict=True))
        self._others = [tuple(dict.fromkeys(b.column for b in own if b.column != c)) for own, c in pairs]
        self._lists = [_knots([b for b in own if b.column == column]) for own, column in pairs]
        self._last = np.array([len(knots) - 2 for knots in self._lists])[:, None]
        width = max(map(len, self._lists), default=0)
        # An unknown number has a position of its own after all knots.
        self._knots = np.array([[*own, *[np.inf] * (width + 1 - len(own))] for own in self._lists])
        self._starts = np.arange(len(groups))[:, None] * (width + 1)
        self._lock = threading.Lock()
        self._keys: list[tuple[int, tuple[Any, ...]]] = []
        self._states: list[dict[tuple[Any, ...], int]] = [{} for _ in groups]
        # The piece at each knot (column) of each state (row), −1 until it is first used.
        self._at: Ints = np.full((16, width + 1), -1)

    def between(self, table: Table, which: Sequence[int]) -> Interpolation:
        """Return (curves, n) interpolations between pieces, for the numbers of n rows on curves `which`."""
        x = np.array([table[self._columns[at]] for at in which])
        states = self._states_of(table, which, x.shape[1])
        left = np.minimum(np.maximum(self._before(x, which), 0), self._last[which])
        knots, at = self._knots.ravel(), self._starts[which] + left
        start = knots.take(at)
        share = (x - start) / (knots.take(at + 1) - start)
        right = left + (share != 0)
        unknown = np.isnan(x)
        if unknown.any():
            left[unknown] = right[unknown] = self._knots.shape[1] - 1
            share[unknown] = 0.0
        positions = np.array([left, right])
        found = self._at[states, positions]
        if found.min() < 0:
            missing = found < 0
            wanted = zip(np.broadcast_to(states, found.shape)[missing], positions[missing], strict=True)
            self._make({(int(state), int(knot)) for state, knot in wanted})
            found = self._at[states, positions]
        return Interpolation(found[0], found[1], share)

    def _before(self, x: Floats, which: Sequence[int]) -> Ints:
        """Return (curves, n) indices of the last knot that is not above each number, −1 if there is none."""
        lists = [self._lists[at] for at in which]
        if x.shape[1] == 1:
            alone = zip(lists, x[:, 0].tolist(), strict=True)
            return np.array([[bisect_right(knots, one) - 1] for knots, one in alone])
        pairs = zip(lists, x, strict=True)
        return np.array([np.searchsorted(knots, own, "right") - 1 for knots, own in pairs])

    def _states_of(self, table: Table, which: Sequence[int], count: int) -> Ints:
        """Return (curves, n) numbers of the states of the other columns; new states get a number."""
        values = {name: _hashable(table[name]) for at in which for name in self._others[at]}
        out = []
        for at in which:
            known, others = self._states[at], [values[name] for name in self._others[at]]
            keys = list(zip(*others, strict=True)) if others else [()] * count
            found = [known.get(key, -1) for key in keys]
            out.append([self._state(at, key) for key in keys] if -1 in found else found)
        return np.array(out)

    def _state(self, at: int, key: tuple[Any, ...]) -> int:
        with self._lock:
            if key not in self._states[at]:
                if len(self._keys) == len(self._at):
                    self._at = np.concatenate([self._at, np.full(self._at.shape, -1)])
                self._keys.append((at, key))
                # This comes last, so that a thread that finds the state also finds its key and its row.
                self._states[at][key] = len(self._keys) - 1
            return self._states[at][key]

    def _make(self, wanted: set[tuple[int, int]]) -> None:
        with self._lock:
            for state, knot in sorted(wanted):
                if self._at[state, knot] < 0:
                    at, key = self._keys[state]
                    x = self._lists[at][knot] if knot < len(self._lists[at]) else np.nan
                    table = dict(zip(self._others[at], map(_column_of, key), strict=True))
                    table[self._columns[at]] = np.array([x])
                    self._at[state, knot] = self._pieces.of_each(self._groups[at], table, 1)[0].at


def _hashable(column: NDArray[Any]) -> list[Any]:
    """Return the column's values with None for NaN, which cannot be a key: it is not equal to itself."""
    values: list[Any] = column.tolist()
    return values if column.dtype.kind == "O" else [None if value != value else value for value in values]


def _column_of(value: Any) -> NDArray[Any]:
    """Return a column with this one value."""
    return np.array([value], object) if isinstance(value, str) else np.array([value], np.float64)


def _knots(bases: Sequence[Basis]) -> list[float]:
    """Return the ascending points where any of the bases bends, with one more point at either end.

    Beyond the outermost bends all bases are linear, so one more point is enough. If no basis bends, the
    center of a linear basis, or 0, is the point in the middle.
    """
    bends = {knot for basis in bases if isinstance(basis, Ramps | Smooth) for knot in basis.knots}
    middles = [basis.center for basis in bases if isinstance(basis, Linear)]
    inner = sorted(bends or middles or [0.0])
    reach = max(inner[-1] - inner[0], 1.0)
    return [inner[0] - reach, *inner, inner[-1] + reach]
