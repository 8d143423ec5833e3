"""Reading rows of evidence as a stream: each row is accepted, or refused with its line and all its faults.

The command line and the service both read evidence files by this module.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from typing import NamedTuple

import orjson

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.errors import Fault, InputError
from models.tables.strict_json import check_once
from models.tables.table import TableRow


class AcceptedRow(NamedTuple):
    """A row that was accepted as evidence, and the line on which it starts."""

    line: int
    evidence: Evidence


@dataclass(frozen=True)
class Refusal:
    """A row that was refused: the line on which it starts, its id ("" if unreadable), and all its faults.

    `again`: True if its only fault is an id that an earlier line has. `unit`: the word printed before `line`.
    """

    line: int
    id: str
    faults: tuple[Fault, ...]
    again: bool = False
    unit: str = "line"

    def __str__(self) -> str:
        name = f" (id {self.id})" if self.id else ""
        return f"{self.unit} {self.line}{name}: {' | '.join(str(fault) for fault in self.faults)}"


@dataclass(frozen=True)
class Intake:
    """A check of evidence rows against a catalogue and rates. `today`: the latest day that is accepted."""

    catalogue: Catalogue
    rates: Rates
    today: date
    _first_line: dict[str, int] = field(default_factory=dict, repr=False)

    def rows(self, rows: Iterable[TableRow]) -> Iterator[AcceptedRow | Refusal]:
        """Check the rows of a table (`models.tables.table`)."""
        for row in rows:
            read = partial(Evidence.from_flat, row.cells, self.catalogue, self.rates, today=self.today)
            name = row.cells.get("id", "").strip()
            yield self._judged(row.line, name, partial(_refuse, row.fault) if row.fault else read)

    def lines(self, lines: Iterable[bytes]) -> Iterator[AcceptedRow | Refusal]:
        """Check lines of newline-delimited JSON, one record each; blank lines are skipped."""
        for number, line in enumerate(lines, 1):
            if line.strip():
                yield self._of_line(number, line)

    def _of_line(self, number: int, line: bytes) -> AcceptedRow | Refusal:
        try:
            data = orjson.loads(line)
            check_once(line, data)
        except ValueError as error:
            fault = Fault("row", _start(line), f"is not JSON: {error}", "one JSON object a line (RFC 8259)")
            return Refusal(number, "", (fault,))
        name = data.get("id") if isinstance(data, dict) else None
        read = partial(Evidence.from_nested, data, self.catalogue, self.rates, today=self.today)
        return self._judged(number, name.strip() if isinstance(name, str) else "", read)

    def _judged(self, line: int, name: str, read: Callable[[], Evidence]) -> AcceptedRow | Refusal:
        twice = self._seen_before(line, name)
        try:
            evidence = read()
        except InputError as error:
            return Refusal(line, name, (*twice, *error.faults))
        return Refusal(line, name, twice, again=True) if twice else AcceptedRow(line, evidence)

    def _seen_before(self, line: int, name: str) -> tuple[Fault, ...]:
        """Return a fault if an earlier row, accepted or not, has the same id; else nothing."""
        first = self._first_line.setdefault(name, line) if name else line
        if first == line:
            return ()
        return (Fault("id", name, f"stands already on line {first}", "an id of its own for each row"),)


def _refuse(fault: Fault) -> Evidence:
    raise InputError([fault])


_SHOWN = 200  # Number of characters of a line that a fault quotes.


def _start(line: bytes) -> str:
    return line.strip()[: 4 * _SHOWN].decode("utf-8", "replace")[:_SHOWN]
