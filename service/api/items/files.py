"""Take in a file of items: write the good rows in groups, and report the others.

Rows are read and checked before the first is written, and lie on the disk meanwhile. A group is valued and
written in a step of its own, so that nobody waits for a whole file; the file can be sent again at any time,
because what is unchanged stays as it is.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from itertools import islice
from typing import IO, Any, NamedTuple

import orjson

from models.costs import ITEMS_AT_ONCE, LONGEST_SHOWN, MOST_FAULTS, MOST_ITEM_LINES
from models.domain.instrument import Instrument
from models.domain.money import Amount
from models.errors import BookmatchError, Fault, InputError
from models.tables.refused_run import RefusedRun
from models.tables.table import read_table
from service.api.evidence.files import check_length
from service.api.items import columns
from service.api.items.reading import ItemReader
from service.api.items.services import author, count_words
from service.api.items.workbooks import sheet_rows
from service.api.stocklists.ndjson_form import read_line
from service.context import context
from service.errors import RowsRefusedError
from service.faults import RefusedRow, dump_item_report, names_of, pointer_to, shown
from service.http.idempotency import StoredResponse, claim_of_request, run_once, stored_response
from service.http.responses import CSV, NDJSON, XLSX
from service.http.uploads import needing_room, spool
from service.inventory.putting import Author, Stock, as_sent
from service.inventory.records import Item

_ALONE = ("stock_number",)


class Read(NamedTuple):
    """A row of a file: its line, its stock number, and what makes the item of it or raises InputError."""

    line: int
    stock_number: str
    item: Callable[[], Item]


@dataclass
class ItemsReport:
    """The report on a file. `pointed`: faults have a pointer into the JSON object of a line."""

    pointed: bool
    results: Counter[str] = field(default_factory=Counter)
    fault_count: int = 0
    faults: list[RefusedRow] = field(default_factory=list)

    def refuse(self, line: int, stock_number: str, found: Iterable[Fault]) -> None:
        """Count a row that was left out, and list its faults."""
        self.results["refused"] += 1
        for fault in found:
            self.fault_count += 1
            if len(self.faults) < MOST_FAULTS:
                pointer = (
                    pointer_to(*names_of(fault.field)) if self.pointed and fault.field != "row" else None
                )
                cut = replace(fault, value=shown(fault.value))
                self.faults.append(RefusedRow(line, stock_number[:LONGEST_SHOWN], pointer, cut))

    def said(self) -> dict[str, Any]:
        """Return the report as it is answered."""
        return dump_item_report(self)

    @property
    def rows(self) -> int:
        """The number of rows of the file."""
        return self.results.total()

    created = property(lambda self: self.results["created"])
    changed = property(lambda self: self.results["changed"])
    unchanged = property(lambda self: self.results["unchanged"])
    refused = property(lambda self: self.results["refused"])
    faults_left_out = property(lambda self: self.fault_count - len(self.faults))


def take_file(form: str, body: IO[bytes], *, strict: bool) -> StoredResponse:
    """Write the items of a file, once for each Idempotency-Key. `strict`: all or none.

    Raises TableError, TooManyRowsError, RowsRefusedError, NoRoomError; then nothing is written.
    """
    digest = hashlib.file_digest(body, "sha256")  # type: ignore[arg-type]  # it is a file, which it can read
    claimed = claim_of_request(digest.hexdigest())
    before = stored_response(claimed)
    if before is not None:
        return before
    body.seek(0)
    by = author()
    report = ItemsReport(pointed=form == NDJSON)
    with spool() as kept:
        run = RefusedRun()
        rows = _rows(form, body, run, ItemReader.of(by.valuer, by.day))
        _sift(rows, kept, report, run)
        if strict and report.refused:
            raise RowsRefusedError(report.said(), member="item_report")
        _write(kept, report, by, form)
    return run_once(lambda _: StoredResponse(200, None, orjson.dumps(report.said())), claimed)


def _rows(form: str, body: IO[bytes], run: RefusedRun, reader: ItemReader) -> Iterator[Read]:
    if form == XLSX:
        return _of_cells(sheet_rows(body), reader)
    check_length(body, MOST_ITEM_LINES + (form == CSV))
    lines = run.metered(body)
    if form == NDJSON:
        return _of_lines(lines, reader)
    table = read_table(lines, columns.KNOWN, columns.REQUIRED, others=True)
    return _of_cells(((row.line, columns.from_csv(row.cells), row.fault) for row in table.rows), reader)


def _of_lines(body: Iterable[bytes], reader: ItemReader) -> Iterator[Read]:
    for number, text in enumerate(body, 1):
        if not text.strip():
            continue
        line = read_line(number, text.removeprefix(b"\xef\xbb\xbf").strip())
        name = line.data.get("stock_number")
        make = (
            partial(_refused, line.fault)
            if line.fault
            else partial(reader.from_json, name, line.data, _ALONE)
        )
        yield Read(number, name if isinstance(name, str) else "", make)


def _of_cells(
    rows: Iterable[tuple[int, dict[str, columns.Cell], Fault | None]], reader: ItemReader
) -> Iterator[Read]:
    for line, cells, fault in rows:
        read, extra = columns.parted(cells)
        make = partial(_refused, fault) if fault else partial(reader.from_cells, read, extra)
        yield Read(line, read.get("stock_number", "").strip(), make)


def _refused(fault: Fault) -> Item:
    raise InputError([fault])


def _sift(rows: Iterable[Read], kept: IO[bytes], report: ItemsReport, run: RefusedRun) -> None:
    """Write the items of good rows to the file `kept`, and report the others."""
    lines = dict[str, int]()
    with needing_room():
        for row in rows:
            faults = _again(row, lines)
            try:
                item = row.item()
            except InputError as error:
                faults = [*faults, *error.faults]
            if faults:
                report.refuse(row.line, row.stock_number, faults)
            else:
                kept.write(_packed(row.line, item) + b"\n")
                report.results["unchanged"] += 1  # as long as nothing is written
            run.read(faults=len(faults))
            if run.over:
                break
        kept.seek(0)
    if run.over:
        raise RowsRefusedError(report.said(), stopped=True, member="item_report")


def _again(row: Read, lines: dict[str, int]) -> list[Fault]:
    first = lines.setdefault(row.stock_number, row.line) if row.stock_number else row.line
    if first == row.line:
        return []
    problem, allowed = f"stands already on line {first}", "a number of its own for each row"
    return [Fault("stock_number", row.stock_number, problem, allowed, "keep one of the rows")]


def _write(kept: IO[bytes], report: ItemsReport, by: Author, form: str) -> None:
    stock = Stock(context().engine, by, as_sent if form == NDJSON else columns.settled)
    words = Counter[str]()
    del report.results["unchanged"]
    items = map(_unpacked, kept)
    while some := list(islice(items, ITEMS_AT_ONCE)):
        done = stock.put([item for _, item in some])
        words.update(done.words)
        for line, item in some:
            result = done.results[item.stock_number]
            if isinstance(result, BookmatchError):
                found = result.faults if isinstance(result, InputError) else [Fault("row", None, str(result))]
                report.refuse(line, item.stock_number, found)
            else:
                report.results[result] += 1
    count_words(words)


def _packed(line: int, item: Item) -> bytes:
    amounts = [one and list(one) for one in (item.cost, item.asking)]
    said = [item.stock_number, list(item.instrument), *amounts, item.bought, item.channel, item.status]
    return orjson.dumps([line, *said, item.extra])


def _unpacked(text: bytes) -> tuple[int, Item]:
    line, number, it, *amounts, bought, channel, status, extra = orjson.loads(text)
    cost, asking = (None if one is None else Amount(*one) for one in amounts)
    day = None if bought is None else date.fromisoformat(bought)
    return line, Item(number, Instrument(*it), cost, asking, day, channel, status, extra)
