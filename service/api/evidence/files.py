"""Take in a file of evidence: store every valid row in one transaction, and report the other rows.

Rows are read and checked before the transaction begins, so that nobody waits while a file is read. Valid rows
are on disk meanwhile, so that a large file takes no more memory than a small one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import islice
from typing import IO

import orjson
from sqlalchemy import Connection

from models.costs import LONGEST_SHOWN, MOST_FAULTS, MOST_LINES
from models.domain.cells import last_day
from models.domain.evidence import EVIDENCE_COLUMNS, REQUIRED_COLUMNS
from models.errors import Fault
from models.tables.intake import AcceptedRow, Intake, Refusal
from models.tables.refused_run import RefusedRun
from models.tables.table import read_table
from service.api.evidence import records
from service.api.evidence.reading import id_faults
from service.api.evidence.records import Prepared
from service.api.evidence.services import mark
from service.context import bundle
from service.errors import RowsRefusedError, TooManyRowsError
from service.faults import RefusedRow, dump_report, names_of, pointer_to, shown
from service.http.idempotency import StoredResponse, claim_of_request, run_once, stored_response
from service.http.responses import CSV
from service.http.uploads import needing_room, spool

_MOST_NAMED = 50  # largest number of ignored columns that a report names
_AT_ONCE = 1_000
_PIECE = 64 * 1024
_STANDS = Fault(
    "id", "", "stands already among the records", "an id of its own for each", "correct it by PUT"
)


@dataclass
class Report:
    """The report on the rows read so far. `pointed`: faults have a pointer into the JSON object of a line."""

    pointed: bool
    ignored: tuple[str, ...] = ()
    accepted: int = 0
    refused: int = 0
    duplicates: int = 0
    listed: list[RefusedRow] = field(default_factory=list)
    left_out: int = 0

    def refuse(self, refusal: Refusal) -> None:
        """Count a row that was left out, and list its faults up to `MOST_FAULTS` in all."""
        if refusal.again:
            self.duplicates += 1
        else:
            self.refused += 1
        for fault in refusal.faults:
            if len(self.listed) < MOST_FAULTS:
                in_object = self.pointed and fault.field != "row"
                pointer = pointer_to(*names_of(fault.field)) if in_object else None
                cut = replace(fault, value=shown(fault.value))  # what it is of can be long
                self.listed.append(RefusedRow(refusal.line, refusal.id[:LONGEST_SHOWN], pointer, cut))
            else:
                self.left_out += 1

    @property
    def rows(self) -> int:
        """The number of rows of the file."""
        return self.accepted + self.refused + self.duplicates

    @property
    def faults(self) -> list[RefusedRow]:
        """The faults of the rows, in the order of their lines."""
        return sorted(self.listed, key=lambda refused: refused.line)

    @property
    def ignored_columns(self) -> list[str]:
        """Columns of the file that mean nothing here."""
        return [name[:80] for name in self.ignored[:_MOST_NAMED]]


def take_file(form: str, body: IO[bytes], strict: bool) -> StoredResponse:
    """Store the valid rows of a file, once for each Idempotency-Key. `strict`: all rows or none.

    Raises TableError, TooManyRowsError, RowsRefusedError, NoRoomError; then no row is stored.
    """
    digest = hashlib.file_digest(body, "sha256")  # type: ignore[arg-type]  # it is a file, which it can read
    claimed = claim_of_request(digest.hexdigest())
    before = stored_response(claimed)
    if before is not None:
        return before
    body.seek(0)
    _check_length(body, form)
    with spool() as kept:
        report = _sift(form, body, kept)

        def change(connection: Connection) -> StoredResponse:
            _keep(connection, kept, report)
            summary = dump_report(report)
            if strict and summary["faults"]:
                raise RowsRefusedError({**summary, "accepted": 0})
            return StoredResponse(200, None, orjson.dumps(summary))

        return run_once(change, claimed)


def _sift(form: str, body: IO[bytes], kept: IO[bytes]) -> Report:
    """Check every row; write the valid ones to the file `kept`, with their line numbers."""
    valuer = bundle().valuer
    intake, run = Intake(valuer.catalogue, valuer.rates, last_day()), RefusedRun()
    report = Report(pointed=form != CSV)
    lines = run.metered(body)
    found = intake.lines(lines)
    if form == CSV:
        table = read_table(lines, EVIDENCE_COLUMNS, REQUIRED_COLUMNS)
        report.ignored, found = table.ignored, intake.rows(table.rows)
    with needing_room():
        for number, one in enumerate(map(_addressable, found), 1):
            run.read(good=not isinstance(one, Refusal))
            if isinstance(one, Refusal):
                report.refuse(one)
            else:
                kept.write(orjson.dumps([one.line, *Prepared.of(one.evidence)]) + b"\n")
            if run.over:
                raise RowsRefusedError({**dump_report(report), "rows": number, "accepted": 0}, stopped=True)
        kept.seek(0)
    if run.over:  # by lines without rows
        raise RowsRefusedError({**dump_report(report), "accepted": 0}, stopped=True)
    return report


def _check_length(body: IO[bytes], form: str) -> None:
    """Count the lines, which costs little, before rows are read. Raises TooManyRowsError."""
    most, feeds, returns = MOST_LINES + (form == CSV), 0, 0
    while piece := body.read(_PIECE):
        feeds, returns = feeds + piece.count(b"\n"), returns + piece.count(b"\r")
        if max(feeds, returns) > most:
            raise TooManyRowsError(f"A file can have {MOST_LINES:,} lines of rows; this one has more.")
    body.seek(0)


def _addressable(one: AcceptedRow | Refusal) -> AcceptedRow | Refusal:
    faults = id_faults(one.evidence.id) if isinstance(one, AcceptedRow) else ()
    return Refusal(one.line, one.evidence.id, faults) if isinstance(one, AcceptedRow) and faults else one


def _keep(connection: Connection, kept: IO[bytes], report: Report) -> None:
    records.take_turn(connection)
    now = mark()
    found = _prepared(kept)
    while some := list(islice(found, _AT_ONCE)):
        added = records.add(connection, [one for _, one in some], now)
        report.accepted += len(added)
        for line, one in some:
            record_id = one.row["id"]
            if record_id not in added:
                report.refuse(Refusal(line, record_id, (replace(_STANDS, value=record_id),), again=True))


def _prepared(kept: Iterable[bytes]) -> Iterator[tuple[int, Prepared]]:
    for text in kept:
        line, row, record = orjson.loads(text)
        yield line, Prepared({**row, "day": date.fromisoformat(row["day"])}, record)
