"""The smallest encoding there can be: every player is one column, beside which only its blank is a column."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from models.price.core.basis import Table
from models.price.evaluator.encoding import Answers, Row, Values

_BLANK = "_blank"


@dataclass(frozen=True)
class Plain:
    """`base`: player → what its reference has. Words are levels; numbers are columns of numbers.

    A blank number of `typical` is read as the reference's; any other blank is not known. The column
    "x_blank" is 1 where player x is blank.
    """

    base: Mapping[str, Any]
    losses: tuple[str, ...] = ()
    curved: frozenset[str] = frozenset()
    recurring: bool = True
    typical: tuple[str, ...] = ()
    shared: frozenset[str] = frozenset()
    may_be: Mapping[str, Answers] = field(default_factory=dict)
    steps: int = 2

    @property
    def players(self) -> tuple[str, ...]:
        return tuple(self.base)

    def row(self, **values: Any) -> Row:
        """The reference with these values."""
        return Row("all", tuple({**self.base, **values}[player] for player in self.base))

    def rows_of(self, table: Table) -> list[Row]:
        """The rows of a table that has a column for every player."""
        columns = [
            [v if isinstance(v, str) else None if v != v else float(v) for v in table[p]] for p in self.base
        ]
        return [Row("all", values) for values in zip(*columns, strict=True)]

    def players_of(self, columns: Sequence[str]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(c.removesuffix(_BLANK) for c in columns))

    def reference(self, row: Row) -> Values:
        return tuple(self.base.values())

    def table(self, rows: Sequence[Row], names: Sequence[str]) -> Table:
        return {name: np.concatenate([self._column(name, row.values) for row in rows]) for name in names}

    def time(self, values: Values) -> float:
        return 0.0

    def ordinal(self, column: str, value: Any) -> float:
        return math.nan if value is None else float(value)

    def loss_values(self, column: str) -> Sequence[Any]:
        return [None, *map(float, range(self.steps + 1))]

    def answers(self, row: Row, player: str) -> Answers:
        blank = row.values[self.players.index(player)] is None
        return self.may_be.get(player, ()) if blank else ()

    def _column(self, name: str, values: Values) -> Any:
        player = name.removesuffix(_BLANK)
        value, usual = values[self.players.index(player)], self.base[player]
        if name != player:
            return np.array([float(value is None)])
        if isinstance(usual, str):
            return np.array([value or ""], object)
        if value is None:
            value = usual if name in self.typical else math.nan
        return np.array([value], np.float64)
