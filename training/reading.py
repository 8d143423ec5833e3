"""Read evidence files (CSV). A bad row is refused with its line, field, value and reason."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import BinaryIO, Never

from tqdm import tqdm

from models.domain.catalogue import Catalogue
from models.domain.cells import last_day
from models.domain.evidence import EVIDENCE_COLUMNS, REQUIRED_COLUMNS, Evidence
from models.domain.money import Rates
from models.errors import InputError, TableError
from models.tables.intake import AcceptedRow, Intake, Refusal
from models.tables.table import Table, TableRow, read_table


@dataclass(frozen=True)
class Reading:
    """The result of reading evidence: accepted rows in their order, refused rows, ignored columns.

    `held`: ids of records that the service has warned of, and that nobody confirmed or corrected; they are
    not among the rows. `confirmed`: ids of rows that somebody confirmed.
    """

    rows: tuple[Evidence, ...]
    refused: tuple[Refusal, ...]
    ignored_columns: tuple[str, ...]
    held: tuple[str, ...] = ()
    confirmed: frozenset[str] = frozenset()


class RefusedRowsError(InputError):
    """Strict reading found bad rows. `refused`: the bad rows; `faults`: the faults of all of them."""

    def __init__(self, source: object, refused: tuple[Refusal, ...]) -> None:
        super().__init__([fault for refusal in refused for fault in refusal.faults])
        self.source, self.refused = source, refused

    def __str__(self) -> str:
        more = f" (and {len(self.refused) - 1} more bad rows)" if len(self.refused) > 1 else ""
        return f"{self.source}: {self.refused[0]}{more}"


def read_evidence(
    path: Path,
    catalogue: Catalogue,
    rates: Rates,
    *,
    strict: bool = False,
    progress: bool = True,
    today: date | None = None,
) -> Reading:
    """Read an evidence file, and replace names in its rows by the catalogue's spelling.

    `today`: the latest date that a row may have. Raises TableError for a file that cannot be read at all, and
    RefusedRowsError when `strict` and any row is bad.
    """
    try:
        size = path.stat().st_size
        stream = path.open("rb")
    except OSError as error:
        raise TableError(f"{path}: cannot be read: {error.strerror}") from error
    title, off = f"reading {path.name}", None if progress else True
    with stream, tqdm(total=size, unit="B", unit_scale=True, desc=title, disable=off) as bar:
        try:
            table = read_table(stream, EVIDENCE_COLUMNS, REQUIRED_COLUMNS)
        except TableError as error:
            raise TableError(f"{path}: {error}") from error
        intake = Intake(catalogue, rates, today or last_day())
        reading = gathered(intake.rows(_followed(table, stream, bar)), table.ignored)
    if strict and reading.refused:
        raise RefusedRowsError(path, reading.refused)
    return reading


def _followed(table: Table, stream: BinaryIO, bar: "tqdm[Never]") -> Iterator[TableRow]:
    for number, row in enumerate(table.rows):
        if number % 500 == 0:
            bar.update(stream.tell() - bar.n)
        yield row
    bar.update(stream.tell() - bar.n)


def gathered(found: Iterable[AcceptedRow | Refusal], ignored: tuple[str, ...] = ()) -> Reading:
    """Collect accepted and refused rows, each in the order found. `ignored`: names of ignored columns."""
    good: list[Evidence] = []
    refused: list[Refusal] = []
    for one in found:
        if isinstance(one, AcceptedRow):
            good.append(one.evidence)
        else:
            refused.append(one)
    return Reading(tuple(good), tuple(refused), ignored)
