"""Blocks of one number, straight between knots, one curve for every state of their other columns."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.price.basis import Basis, Floats, Ints, Linear, Ramps, Smooth, Table
from models.price.evaluator.pieces import Pieces


class Between(NamedTuple):
    """(n,) places of the pieces on either side of n numbers, and the share of the second one."""

    at: Ints
    beyond: Ints
    share: Floats


class Curves:
    """The curves of the blocks at these places over one numeric column; the pieces at the knots are kept."""

    def __init__(self, pieces: Pieces, places: Sequence[int], blocks: Sequence[Any], column: str) -> None:
        self._pieces, self._places, self._column = pieces, places, column
        bases = [basis for block in blocks for basis in block.bases]
        names = dict.fromkeys(basis.column for basis in bases)
        self._others = [name for name in names if name != column]
        self._knots = np.array(_knots([basis for basis in bases if basis.column == column]))
        self._lock = threading.Lock()
        self._keys: list[tuple[Any, ...]] = []
        self._states: dict[tuple[Any, ...], int] = {}
        # By state, the piece at each knot and that of a number that is not known; −1 until it is asked for.
        self._at: Ints = np.full((16, len(self._knots) + 1), -1)

    @property
    def names(self) -> tuple[str, ...]:
        """The columns that it reads."""
        return (*self._others, self._column)

    def between(self, table: Table) -> Between:
        """Where the numbers of n rows lie."""
        x, knots = table[self._column], self._knots
        states = self._states_of(table, len(x))
        left = np.clip(np.searchsorted(knots, x, "right") - 1, 0, len(knots) - 2)
        share = (x - knots[left]) / (knots[left + 1] - knots[left])
        right = left + (share != 0)
        unknown = np.isnan(x)
        if unknown.any():
            left[unknown] = right[unknown] = len(knots)
            share[unknown] = 0.0
        at, beyond = self._at[states, left], self._at[states, right]
        if min(at.min(), beyond.min()) < 0:
            self._make({*zip(states.tolist(), left.tolist(), strict=True)})
            self._make({*zip(states.tolist(), right.tolist(), strict=True)})
            at, beyond = self._at[states, left], self._at[states, right]
        return Between(at, beyond, share)

    def _states_of(self, table: Table, count: int) -> Ints:
        others = [_hashable(table[name]) for name in self._others]
        keys = list(zip(*others, strict=True)) if others else [()] * count
        found = [self._states.get(key, -1) for key in keys]
        if -1 in found:
            found = [self._state(key) for key in keys]
        return np.array(found)

    def _state(self, key: tuple[Any, ...]) -> int:
        with self._lock:
            if key not in self._states:
                if len(self._states) == len(self._at):
                    self._at = np.concatenate([self._at, np.full(self._at.shape, -1)])
                self._keys.append(key)
                self._states[key] = len(self._states)  # Last: whoever finds it finds all that belongs to it.
            return self._states[key]

    def _make(self, wanted: set[tuple[int, int]]) -> None:
        with self._lock:
            for state, knot in wanted:
                if self._at[state, knot] < 0:
                    x = self._knots[knot] if knot < len(self._knots) else np.nan
                    own = dict(zip(self._others, map(_column_of, self._keys[state]), strict=True))
                    table = own | {self._column: np.array([x])}
                    self._at[state, knot] = self._pieces.of_each(self._places, table, 1)[0].at


def _hashable(column: NDArray[Any]) -> list[Any]:
    """Its values, None for NaN: that is not equal to itself, so it is no key."""
    return [None if value != value else value for value in column.tolist()]


def _column_of(value: Any) -> NDArray[Any]:
    """A column of this value alone."""
    return np.array([value], object) if isinstance(value, str) else np.array([value], np.float64)


def _knots(bases: Sequence[Basis]) -> list[float]:
    """Where any of the bases bends, and a point on either side: beyond them they are straight as well."""
    bends = {knot for basis in bases if isinstance(basis, Ramps | Smooth) for knot in basis.knots}
    middles = [basis.center for basis in bases if isinstance(basis, Linear)]
    inner = sorted(bends or middles or [0.0])
    reach = max(inner[-1] - inner[0], 1.0)
    return [inner[0] - reach, *inner, inner[-1] + reach]
