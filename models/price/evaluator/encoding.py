"""The interface of an encoding, which turns the rows of one kind of table into feature columns.

A row has a key and the values of its players. Rows of one key, for instruments those of one model, share a
reference. The players (Shapley's term) are the fields that can differ within a key and get the effects.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple, Protocol

from models.price.core.basis import Table

Answers = Sequence[tuple[Any, float]]  # The likely values of a blank player, each with its chance.
Values = tuple[Any, ...]  # The values of a row's players, in the order of `Encoding.players`.


class Row(NamedTuple):
    """One row of a table. `key`: rows of one key share a reference and a cache. `values`: of the players."""

    key: Any
    values: Values


class Encoding(Protocol):
    """The players of one kind of table, and the columns that are computed from their values."""

    @property
    def players(self) -> tuple[str, ...]:
        """The names of the players, in the order of a row's values."""

    @property
    def shared(self) -> frozenset[str]:
        """The players whose values a reference takes over from the row that is explained."""

    @property
    def curved(self) -> frozenset[str]:
        """The number columns with too many values to cache an entry for each; they are interpolated."""

    @property
    def recurring(self) -> bool:
        """True if values recur so often that covariances between cached entries are worth caching."""

    @property
    def losses(self) -> tuple[str, ...]:
        """The columns of losses; each depends on one player alone."""

    def players_of(self, columns: Sequence[str]) -> tuple[str, ...]:
        """Return the players on which these columns depend."""

    def reference(self, row: Row) -> Values:
        """Return the values of the players in the reference of the row's key."""

    def table(self, rows: Sequence[Row], names: Sequence[str]) -> Table:
        """Return the named columns of n rows, each (n,)."""

    def time(self, values: Values) -> float:
        """Return the row's time in years; 0 for tables without a time."""

    def ordinal(self, column: str, value: Any) -> float:
        """Return a player's value as the number of its loss column: 0 is the best, NaN means not known."""

    def loss_values(self, column: str) -> Sequence[Any]:
        """List the values of a loss column that are cached in advance: not known, terms and whole grades."""

    def answers(self, row: Row, player: str) -> Answers:
        """Return the likely values of a blank player, each with its chance; () if it is known or has none."""
