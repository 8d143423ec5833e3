"""Evidence files: every good row read, every bad one refused with its line, field, value and reason."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import BinaryIO, Never

from tqdm import tqdm

from models.catalogue import Catalogue
from models.errors import Fault, InputError, TableError
from models.evidence import EVIDENCE_COLUMNS, REQUIRED_COLUMNS, Evidence
from models.money import Rates
from models.table import Row, Table, read_table


@dataclass(frozen=True)
class Refusal:
    """A row left out: the line it starts on, its id where one could be read, and everything wrong with it."""

    line: int
    id: str
    faults: tuple[Fault, ...]

    def __str__(self) -> str:
        name = f" (id {self.id})" if self.id else ""
        return f"line {self.line}{name}: {' | '.join(str(fault) for fault in self.faults)}"


@dataclass(frozen=True)
class Reading:
    """What a file gave: accepted rows in their order, refused rows, and columns nobody asked for."""

    rows: tuple[Evidence, ...]
    refused: tuple[Refusal, ...]
    ignored_columns: tuple[str, ...]


class RefusedRowsError(InputError):
    """Strict reading met bad rows. `refused` lists them; `faults` are all of theirs."""

    def __init__(self, path: Path, refused: tuple[Refusal, ...]) -> None:
        super().__init__([fault for refusal in refused for fault in refusal.faults])
        self.refused = refused
        more = f" (and {len(refused) - 1} more bad rows)" if len(refused) > 1 else ""
        self.args = (f"{path}: {refused[0]}{more}",)


def read_evidence(
    path: Path,
    catalogue: Catalogue,
    rates: Rates,
    *,
    strict: bool = False,
    progress: bool = True,
    today: date | None = None,
) -> Reading:
    """Read an evidence file; rows are spelled as the catalogue has them.

    `today`: the last day that is not the future. Raises TableError for a file that cannot be read at all, and
    RefusedRowsError when `strict` and any row is bad.
    """
    try:
        size = path.stat().st_size
        stream = path.open("rb")
    except OSError as error:
        raise TableError(f"{path}: cannot be read: {error.strerror}") from error
    with (
        stream,
        tqdm(
            total=size,
            unit="B",
            unit_scale=True,
            desc=f"reading {path.name}",
            disable=None if progress else True,
        ) as bar,
    ):
        try:
            table = read_table(stream, EVIDENCE_COLUMNS, REQUIRED_COLUMNS)
        except TableError as error:
            raise TableError(f"{path}: {error}") from error
        reading = _accepted(table, _followed(table, stream, bar), catalogue, rates, today or date.today())
    if strict and reading.refused:
        raise RefusedRowsError(path, reading.refused)
    return reading


def _followed(table: Table, stream: BinaryIO, bar: tqdm[Never]) -> Iterator[Row]:
    for number, row in enumerate(table.rows):
        if number % 500 == 0:
            bar.update(stream.tell() - bar.n)
        yield row
    bar.update(stream.tell() - bar.n)


def _accepted(table: Table, rows: Iterator[Row], catalogue: Catalogue, rates: Rates, today: date) -> Reading:
    good: list[Evidence] = []
    refused: list[Refusal] = []
    first_line: dict[str, int] = {}
    for row in rows:
        name = row.cells.get("id", "").strip()
        faults = _duplicate(name, row.line, first_line)
        try:
            if row.fault is not None:
                raise InputError([row.fault])
            evidence = Evidence.from_flat(row.cells, catalogue, rates, today=today)
        except InputError as error:
            refused.append(Refusal(row.line, name, (*faults, *error.faults)))
            continue
        if faults:
            refused.append(Refusal(row.line, name, faults))
        else:
            good.append(evidence)
    return Reading(tuple(good), tuple(refused), table.ignored)


def _duplicate(name: str, line: int, first_line: dict[str, int]) -> tuple[Fault, ...]:
    """The fault of a second row with this id, whether or not the first was accepted."""
    first = first_line.setdefault(name, line) if name else line
    if first == line:
        return ()
    return (Fault("id", name, f"stands already on line {first}", "an id of its own for each row"),)
