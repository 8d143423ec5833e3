"""Take in a file of evidence: store every valid row in one transaction, and report the other rows.

Rows are read and checked before the transaction begins, so that nobody waits while a file is read. Valid rows
are on disk meanwhile, so that a large file takes no more memory than a small one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from itertools import islice
from typing import IO, TypeVar

import orjson
from sqlalchemy import Connection

from models.costs import MOST_LINES
from models.domain.cells import LAST_DAY
from models.domain.evidence import EVIDENCE_COLUMNS, REQUIRED_COLUMNS
from models.errors import Fault
from models.tables.evidence_columns import WITHDRAWN, from_row
from models.tables.intake import AcceptedRow, Intake, Refusal
from models.tables.refused_run import RefusedRun
from models.tables.table import read_table
from service.api.evidence import records
from service.api.evidence.reading import id_faults, prepared
from service.api.evidence.records import Mark, Prepared
from service.api.evidence.report import Report
from service.api.evidence.services import mark
from service.context import bundle
from service.errors import RowsRefusedError, TooManyRowsError
from service.faults import dump_report
from service.http.idempotency import StoredResponse, claim_of_request, run_once, stored_response
from service.http.responses import CSV
from service.http.uploads import needing_room, spool

T = TypeVar("T")

_AT_ONCE = 1_000
_PIECE = 64 * 1024
_STANDS = Fault(
    "id", "", "stands already among the records", "an id of its own for each", "correct it by PUT"
)
_UNKNOWN = Fault("id", "", "is no record", "the id of a record", "send a new record without corrections")
_WITHDRAWN = Fault("id", "", "is withdrawn", "the id of a record in use", "use it again by PUT")


def take_file(
    form: str, body: IO[bytes], *, strict: bool, corrections: bool, reason: str | None
) -> StoredResponse:
    """Store the valid rows of a file, once for each Idempotency-Key.

    `strict`: all rows or none. `corrections`: each row corrects the record that has its id. `reason`: kept in
    the history. Raises TableError, TooManyRowsError, RowsRefusedError, NoRoomError; then no row is stored.
    """
    digest = hashlib.file_digest(body, "sha256")  # type: ignore[arg-type]  # it is a file, which it can read
    claimed = claim_of_request(digest.hexdigest())
    before = stored_response(claimed)
    if before is not None:
        return before
    body.seek(0)
    check_length(body, MOST_LINES + (form == CSV))
    with spool() as kept:
        report = _sift(form, body, kept)

        def change(connection: Connection) -> StoredResponse:
            (_correct if corrections else _keep)(connection, kept, report, mark(reason))
            summary = dump_report(report)
            if strict and summary["faults"]:
                raise RowsRefusedError({**summary, "accepted": 0})
            return StoredResponse(200, None, orjson.dumps(summary))

        return run_once(change, claimed)


def _sift(form: str, body: IO[bytes], kept: IO[bytes]) -> Report:
    """Check every row; write the valid ones to the file `kept`, with their line numbers."""
    valuer = bundle().valuer
    intake, run = Intake(valuer.catalogue, valuer.rates, LAST_DAY), RefusedRun()
    report, read = Report(pointed=form != CSV), 0
    lines = run.metered(body)
    found = intake.lines(lines)
    if form == CSV:
        table = read_table(lines, EVIDENCE_COLUMNS, REQUIRED_COLUMNS)
        report.ignored, found = table.ignored, intake.rows(table.rows)
    with needing_room():
        for rows in _batches(_while_good(map(_addressable, found), run)):
            good = [one for one in rows if isinstance(one, AcceptedRow)]
            for one in rows:
                if isinstance(one, Refusal):
                    report.refuse(one)
            for row, new in zip(good, prepared([row.evidence for row in good]), strict=True):
                kept.write(orjson.dumps([row.line, *new]) + b"\n")
            read += len(rows)
        kept.seek(0)
    if run.over:
        raise RowsRefusedError({**dump_report(report), "rows": read, "accepted": 0}, stopped=True)
    return report


def check_length(body: IO[bytes], most: int) -> None:
    """Count the lines, which costs little, before rows are read. Raises TooManyRowsError."""
    feeds = returns = 0
    while piece := body.read(_PIECE):
        feeds, returns = feeds + piece.count(b"\n"), returns + piece.count(b"\r")
        if max(feeds, returns) > most:
            raise TooManyRowsError(f"A file can have {most:,} lines; this one has more.")
    body.seek(0)


def _batches(found: Iterator[T]) -> Iterator[list[T]]:
    while some := list(islice(found, _AT_ONCE)):
        yield some


def _while_good(found: Iterable[AcceptedRow | Refusal], run: RefusedRun) -> Iterator[AcceptedRow | Refusal]:
    for one in found:
        run.read(faults=len(one.faults) if isinstance(one, Refusal) else 0)
        yield one
        if run.over:
            return


def _addressable(one: AcceptedRow | Refusal) -> AcceptedRow | Refusal:
    faults = id_faults(one.evidence.id) if isinstance(one, AcceptedRow) else ()
    return Refusal(one.line, one.evidence.id, faults) if isinstance(one, AcceptedRow) and faults else one


def _keep(connection: Connection, kept: IO[bytes], report: Report, now: Mark) -> None:
    records.take_turn(connection)
    for some in _batches(_prepared(kept)):
        there = records.add(connection, [one for _, one in some], now)
        report.accepted += len(some) - len(there)
        for line, one in some:
            before = there.get(one.row["id"])
            if before is None:
                report.warn(line, one.row)
            elif from_row(before) == from_row(one.row):
                fault = _STANDS if before[WITHDRAWN] is None else _WITHDRAWN
                report.refuse(_refusal(line, one, fault, again=True))
            else:
                report.change(line, before, one.row)


def _correct(connection: Connection, kept: IO[bytes], report: Report, now: Mark) -> None:
    for some in _batches(_prepared(kept)):
        there = records.standing(connection, [one for _, one in some], to_change=True)
        changes = []
        for line, one in some:
            before = there.get(one.row["id"])
            if before is None or before[WITHDRAWN] is not None:
                report.refuse(_refusal(line, one, _UNKNOWN if before is None else _WITHDRAWN))
            elif from_row(before) == from_row(one.row):
                report.duplicates += 1
            else:
                changes.append((before, one))
                report.warn(line, one.row)
        records.replace(connection, changes, "corrected", now)
        report.corrected += len(changes)


def _refusal(line: int, one: Prepared, fault: Fault, *, again: bool = False) -> Refusal:
    record_id = one.row["id"]
    return Refusal(line, record_id, (replace(fault, value=record_id),), again)


def _prepared(kept: Iterable[bytes]) -> Iterator[tuple[int, Prepared]]:
    for text in kept:
        line, row, record = orjson.loads(text)
        yield line, Prepared({**row, "day": date.fromisoformat(row["day"])}, record)
