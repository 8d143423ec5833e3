"""Rows of an open table for the evaluator: every column is a player, and any row may be the reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from models.price.core.basis import Table
from models.price.evaluator.encoding import Answers, Row, Values
from training.yardstick.open_data import Feature, Scale


@dataclass(frozen=True)
class TableEncoding:
    """Tables of these columns; a grade's words belong to the grade. See `Encoding`."""

    columns: tuple[Feature, ...]

    shared: frozenset[str] = frozenset()
    # A block over two numbers is straight between the knots of neither: each value is worked out by itself.
    curved: frozenset[str] = frozenset()
    recurring: bool = False
    losses: tuple[str, ...] = ()

    @cached_property
    def players(self) -> tuple[str, ...]:
        """The columns' names."""
        return tuple(column.name for column in self.columns)

    @cached_property
    def _position(self) -> dict[str, int]:
        """Column of a table → position of its player; a grade's words share the grade's player."""
        of_words = {f"{c.name}=": at for at, c in enumerate(self.columns) if c.scale is Scale.GRADE}
        return of_words | {name: at for at, name in enumerate(self.players)}

    def rows(self, table: Table) -> list[Row]:
        """All rows of a table; None where a value is not known."""
        known = [_values(table[column.name]) for column in self.columns]
        return [Row((), values) for values in zip(*known, strict=True)]

    def players_of(self, columns: Sequence[str]) -> tuple[str, ...]:
        """The columns themselves, in their own order: two blocks over the same two are one game."""
        return tuple(self.players[at] for at in sorted({self._position[name] for name in columns}))

    def reference(self, row: Row) -> Values:
        """The row itself: nothing is typical of an open table."""
        return row.values

    def table(self, rows: Sequence[Row], names: Sequence[str]) -> Table:
        """The named columns of n rows."""
        return {name: self._column(name, [row.values for row in rows]) for name in names}

    def time(self, values: Values) -> float:
        """0: time is a column like any other."""
        return 0.0

    def ordinal(self, column: str, value: Any) -> float:
        """The number itself."""
        return float(value)

    def loss_values(self, column: str) -> Sequence[Any]:
        """Nothing: there are no losses."""
        return ()

    def answers(self, row: Row, player: str) -> Answers:
        """Nothing: what is not known has an effect of its own."""
        return ()

    def _column(self, name: str, rows: Sequence[Values]) -> np.ndarray:
        at = self._position[name]
        column, values = self.columns[at], [values[at] for values in rows]
        if column.scale is Scale.LEVEL:
            return np.array([value or "" for value in values], dtype=object)
        if name != column.name:
            words = ["" if value is None else column.terms[int(value)] for value in values]
            return np.array(words, dtype=object)
        return np.array([np.nan if value is None else value for value in values])


def _values(column: np.ndarray) -> list[Any]:
    """The values of one column, None where unknown."""
    if column.dtype.kind == "f":
        return [None if value != value else value for value in column.tolist()]
    return [str(value) or None for value in column]
