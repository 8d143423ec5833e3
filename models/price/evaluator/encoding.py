"""An encoding tells the rows of one kind of table apart and turns them into columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple, Protocol

from models.price.core.basis import Table

Answers = Sequence[tuple[Any, float]]  # values, each with its chance
Values = tuple[Any, ...]  # of a row's players, in the order of `Encoding.players`


class Row(NamedTuple):
    """One row. `key`: rows of one key share their reference, and what is kept of it."""

    key: Any
    values: Values


class Encoding(Protocol):
    """The players whose values make a row, and the columns that they make."""

    @property
    def players(self) -> tuple[str, ...]:
        """The names of a row's values."""

    @property
    def shared(self) -> frozenset[str]:
        """Players that a reference takes over from the row it is a reference of."""

    @property
    def curved(self) -> frozenset[str]:
        """Columns of numbers that take too many values for something to be kept of each value."""

    @property
    def recurring(self) -> bool:
        """Say whether values recur so often that the covariances of their pieces are worth keeping."""

    @property
    def losses(self) -> tuple[str, ...]:
        """The columns that have losses; each is one player's alone."""

    def players_of(self, columns: Sequence[str]) -> tuple[str, ...]:
        """The players that these columns depend on, without those that the key fixes."""

    def reference(self, row: Row) -> Values:
        """The values of the row's reference."""

    def table(self, rows: Sequence[Row], names: Sequence[str]) -> Table:
        """The named columns of n rows."""

    def time(self, values: Values) -> float:
        """The row's time in years, 0 for tables without one."""

    def ordinal(self, column: str, value: Any) -> float:
        """A loss column's number: 0 is best, NaN is not known."""

    def loss_values(self, column: str) -> Sequence[Any]:
        """All values of a loss column's player that are worth keeping: not known, terms and whole grades."""

    def answers(self, row: Row, player: str) -> Answers:
        """The values that a blank player may have, each with its chance; () where it is known or moot."""
