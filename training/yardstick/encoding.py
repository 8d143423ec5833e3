"""Encode the rows of an open data set for the evaluator, with each column as a player of Shapley values."""

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
    """The `Encoding` of an open data set with these columns; a grade's number and word are one player."""

    columns: tuple[Feature, ...]

    shared: frozenset[str] = frozenset()
    # No column is curved. The effect of a pair of numbers is not linear between the knots of either, so it is
    # computed anew for each value.
    curved: frozenset[str] = frozenset()
    recurring: bool = False
    losses: tuple[str, ...] = ()

    @cached_property
    def players(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    @cached_property
    def _position(self) -> dict[str, int]:
        """Column of the table → position of its player; a grade's words share the grade's player."""
        of_words = {f"{c.name}=": at for at, c in enumerate(self.columns) if c.scale is Scale.GRADE}
        return of_words | {name: at for at, name in enumerate(self.players)}

    def rows(self, table: Table) -> list[Row]:
        """Encode all rows of a table, with None where a value is not known."""
        known = [_values(table[column.name]) for column in self.columns]
        return [Row((), values) for values in zip(*known, strict=True)]

    def players_of(self, columns: Sequence[str]) -> tuple[str, ...]:
        """Return the players of these columns in table order, so that equal sets of players are one game."""
        return tuple(self.players[at] for at in sorted({self._position[name] for name in columns}))

    def reference(self, row: Row) -> Values:
        """Return the row's own values, because an open data set has no typical values."""
        return row.values

    def table(self, rows: Sequence[Row], names: Sequence[str]) -> Table:
        return {name: self._column(name, [row.values for row in rows]) for name in names}

    def time(self, values: Values) -> float:
        """Return 0, because time is an ordinary column here."""
        return 0.0

    def ordinal(self, column: str, value: Any) -> float:
        return float(value)

    def loss_values(self, column: str) -> Sequence[Any]:
        """Return nothing, because no column has losses."""
        return ()

    def answers(self, row: Row, player: str) -> Answers:
        """Return nothing, because an unknown value has an effect of its own."""
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
    """Return the values of one column, None where unknown."""
    if column.dtype.kind == "f":
        return [None if value != value else value for value in column.tolist()]
    return [str(value) or None for value in column]
