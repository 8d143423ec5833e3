"""The encoding of instruments as rows of the evaluator (see `models.price.evaluator.encoding.Encoding`)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from models.domain.catalogue import Catalogue
from models.domain.instrument import Instrument, Subject
from models.domain.names import normal
from models.domain.vocabulary import BY_FLAT, BY_PATH, Kind
from models.price.core.basis import Table
from models.price.evaluator.encoding import Answers, Row, Values
from models.price.instruments.features import LOSSES, PLAYERS, columns, counted, ordinal, years_of
from models.price.instruments.reference import Typical, reference_of
from models.price.interface import FACTORS

_FIXED = ("maker", "model")  # Factors that make up a row's key, so that no effect belongs to them.
_DAY, _CHANNEL = FACTORS.index("day"), FACTORS.index("channel")
_NUMBERS_OF_AN_EDITION = 9  # Most numbers, evenly spread over an edition, that stand for a blank number.


@dataclass(frozen=True)
class InstrumentEncoding:
    """The `Encoding` of subjects of one catalogue. `typical`: model key → typical values of that model."""

    catalogue: Catalogue
    typical: Mapping[str, Typical]

    players = FACTORS
    shared = frozenset({"day", "channel"})
    curved = frozenset({"time", "weight", "figure", "log_number", "number_share"})
    recurring = True
    losses = LOSSES
    ordinal = staticmethod(ordinal)

    def row(self, subject: Subject) -> Row:
        """Return the row of a subject with names spelled as in the catalogue. Raises UnknownNameError."""
        it = subject.instrument
        it = counted(it, self.catalogue.find(it.maker, it.model))
        return Row((normal(it.maker), normal(it.model)), (*it, subject.day, subject.channel))

    def players_of(self, columns: Sequence[str]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(p for name in columns for p in PLAYERS[name] if p not in _FIXED))

    def reference(self, row: Row) -> Values:
        """Return the values of the typical clean instrument of the row's model."""
        return self.row(reference_of(_subject(row.values), self.typical["|".join(row.key)])).values

    def table(self, rows: Sequence[Row], names: Sequence[str]) -> Table:
        return columns([_subject(row.values) for row in rows], self.catalogue, self.typical, names)

    def time(self, values: Values) -> float:
        return years_of(values[_DAY])

    def loss_values(self, column: str) -> Sequence[Any]:
        """Return None (not known) and all terms or whole grades of a loss column."""
        field = BY_FLAT[column]
        return [None, *(map(float, field.names) if field.kind is Kind.GRADE else field.names)]

    def answers(self, row: Row, player: str) -> Answers:
        """Return the likely values of a blank factor, each with its chance; () if it is known or has none.

        The chances are those of `Typical.answers`; all numbers of an edition are equally likely.
        """
        flat = BY_PATH[player].flat if player in BY_PATH else ""
        if row.values[FACTORS.index(player)] is not None:
            return ()
        if flat == "edition_number":
            return self._numbers(Instrument(*row.values[:_DAY]))
        return self.typical["|".join(row.key)].answers.get(flat, ())

    def _numbers(self, it: Instrument) -> Answers:
        edition = self.catalogue.find(it.maker, it.model).edition(it.edition)
        if edition is None or not edition.numbered or not edition.production_total:
            return ()
        count = min(_NUMBERS_OF_AN_EDITION, edition.production_total)
        middles = ((2 * part + 1) / (2 * count) for part in range(count))
        return [(max(round(middle * edition.production_total), 1), 1 / count) for middle in middles]


def _subject(values: Values) -> Subject:
    return Subject(Instrument(*values[:_DAY]), values[_DAY], values[_CHANNEL])
