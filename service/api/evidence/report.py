"""The report on a file of evidence: how many rows were kept, and what is to be said of which row."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import orjson

from models.costs import LONGEST_SHOWN, MOST_FAULTS
from models.domain.evidence import OWN_COLUMNS, Evidence
from models.domain.vocabulary import BY_FLAT
from models.errors import Fault
from models.tables.evidence_columns import WARNINGS, from_row
from models.tables.intake import Refusal
from service.api.evidence.records import Row
from service.faults import RefusedRow, RowWarning, names_of, pointer_to, shown

_MOST_NAMED = 50  # largest number of ignored columns that a report names
_CORRECT = "to correct the record, send the row with corrections=true, or the record by PUT"


@dataclass
class Report:
    """The report on the rows read so far.

    `pointed`: faults have a pointer into the JSON object of a line. `fault_count`, `warning_count`: how many
    there are, listed or not. `listed`, `again`: faults to be listed, those of duplicates apart.
    """

    pointed: bool
    ignored: tuple[str, ...] = ()
    accepted: int = 0
    corrected: int = 0
    refused: int = 0
    changed: int = 0
    duplicates: int = 0
    warned: int = 0
    fault_count: int = 0
    warning_count: int = 0
    listed: list[RefusedRow] = field(default_factory=list)
    again: list[RefusedRow] = field(default_factory=list)
    warnings: list[RowWarning] = field(default_factory=list)

    def refuse(self, refusal: Refusal) -> None:
        """Count a row that was left out, and list its faults."""
        if refusal.again:
            self.duplicates += 1
        else:
            self.refused += 1
        self._tell(self.again if refusal.again else self.listed, refusal.line, refusal.id, refusal.faults)

    def change(self, line: int, before: Row, new: Row) -> None:
        """Count a row that is not as the record with its id, and list each difference."""
        self.changed += 1
        found = _differences(from_row(before), from_row(new), self.pointed)
        self._tell(self.listed, line, before["id"], found)

    def warn(self, line: int, row: Row) -> None:
        """Count a row that was kept with warnings, and list them."""
        found = orjson.loads(row[WARNINGS])
        self.warned += bool(found)
        self.warning_count += len(found)
        for one in found[: MOST_FAULTS - len(self.warnings)]:
            self.warnings.append(RowWarning(line, row["id"], **one))

    def _tell(self, among: list[RefusedRow], line: int, id: str, faults: Iterable[Fault]) -> None:
        for fault in faults:
            self.fault_count += 1
            if len(among) < MOST_FAULTS:
                in_object = self.pointed and fault.field != "row"
                pointer = pointer_to(*names_of(fault.field)) if in_object else None
                cut = replace(fault, value=shown(fault.value))  # what it is of can be long
                among.append(RefusedRow(line, id[:LONGEST_SHOWN], pointer, cut))

    @property
    def rows(self) -> int:
        """The number of rows of the file."""
        return self.accepted + self.corrected + self.refused + self.changed + self.duplicates

    @property
    def faults(self) -> list[RefusedRow]:
        """The faults of the rows, in the order of their lines; of too many, those of duplicates go first."""
        kept = [*self.listed, *self.again][:MOST_FAULTS]
        return sorted(kept, key=lambda refused: refused.line)

    @property
    def left_out(self) -> int:
        """The number of faults beyond those listed."""
        return self.fault_count - len(self.faults)

    @property
    def warnings_left_out(self) -> int:
        """The number of warnings beyond those listed."""
        return self.warning_count - len(self.warnings)

    @property
    def ignored_columns(self) -> list[str]:
        """Columns of the file that mean nothing here."""
        return [name[:80] for name in self.ignored[:_MOST_NAMED]]


def _differences(before: Evidence, new: Evidence, nested: bool) -> Iterator[Fault]:
    """Yield a fault for each field that differs. `nested`: name fields by their path in JSON."""
    old, now = before.to_flat(), new.to_flat()
    for name in old:
        if old[name] != now[name] and not (name == "price" and before.price == new.price):
            path = name if name in OWN_COLUMNS or not nested else f"instrument.{BY_FLAT[name].path}"
            yield Fault(
                path, now[name], f"differs from the record, which has {_words(old[name])}", "", _CORRECT
            )


def _words(text: str) -> str:
    return repr(text[:80]) if text else "nothing there"
