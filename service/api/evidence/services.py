"""Take in, correct and withdraw a record of evidence, and show its history."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote

import orjson
from flask import g
from sqlalchemy import Connection

from models.domain.evidence import Evidence
from models.tables.evidence_columns import CONFIRMED, NO_WARNINGS, WARNINGS, WITHDRAWN, from_row
from service.api.evidence import records
from service.api.evidence.reading import prepared
from service.api.evidence.records import Mark, Row
from service.api.evidence.schemas import dump_change, dump_record
from service.context import context
from service.db.engine import reading, writing
from service.errors import DuplicateError, WithdrawnError
from service.http.hooks.conditional import check_unchanged
from service.http.idempotency import StoredResponse, claim_of_request, run_once
from service.http.schemas import moment

PATH = "/v1/evidence"


def path_of(record_id: str) -> str:
    """Return the path of a record."""
    return f"{PATH}/{quote(record_id)}"


def mark(reason: str | None = None) -> Mark:
    """Return the mark of a change that is made now by this request's caller."""
    return Mark(g.caller.key_id, datetime.now(UTC), reason)


def record(e: Evidence, reason: str | None) -> StoredResponse:
    """Add a new record. Raises DuplicateError."""
    new = prepared([e])

    def change(connection: Connection) -> StoredResponse:
        records.take_turn(connection)
        there = records.add(connection, new, mark(reason))
        if there:
            same = from_row(there[e.id]) == e
            how = "says the same" if same else "says something else; to correct it, send it by PUT"
            raise DuplicateError(f"A record with the id {e.id[:80]!r} stands already, and {how}.")
        return StoredResponse(201, path_of(e.id), _answer(records.find(connection, e.id)))

    return run_once(change, claim_of_request())


def show(record_id: str) -> bytes:
    """Return the record's present state as JSON. Raises UnknownRecordError, WithdrawnError."""
    with reading(context().engine) as connection:
        row = records.find(connection, record_id)
    _check_used(row)
    return _answer(row)


def state(record_id: str) -> bytes:
    """Return the record as JSON, withdrawn or not, as a change finds it. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        return _answer(records.find(connection, record_id))


def correct(record_id: str, e: Evidence, reason: str | None) -> bytes:
    """Replace a record; a withdrawn one is in use again. Raises UnknownRecordError."""
    (new,) = prepared([e])
    with writing(context().engine) as connection:
        before = records.find(connection, record_id, to_change=True)
        check_unchanged(_answer(before))
        action = "corrected" if before[WITHDRAWN] is None else "reinstated"
        records.replace(connection, [(before, new)], action, mark(reason))
        return _answer(records.find(connection, record_id))


def withdraw(record_id: str, reason: str | None) -> bytes:
    """Withdraw a record. Raises UnknownRecordError, WithdrawnError."""
    with writing(context().engine) as connection:
        before = records.find(connection, record_id, to_change=True)
        _check_used(before)
        check_unchanged(_answer(before))
        records.withdraw(connection, before, mark(reason))
        return _answer(records.find(connection, record_id))


def confirm(record_id: str, reason: str | None) -> bytes:
    """Confirm a record that has warnings; without any nothing is changed.

    Raises UnknownRecordError, WithdrawnError.
    """
    with writing(context().engine) as connection:
        before = records.find(connection, record_id, to_change=True)
        _check_used(before)
        check_unchanged(_answer(before))
        if before[WARNINGS] != NO_WARNINGS and before[CONFIRMED] is None:
            records.confirm(connection, before, mark(reason))
        return _answer(records.find(connection, record_id))


def history(record_id: str) -> dict[str, Any]:
    """Return every change of a record, oldest first. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        found = records.history(connection, record_id)
    return {"id": record_id, "changes": [dump_change(SimpleNamespace(**row)) for row in found]}


def _answer(row: Row) -> bytes:
    return orjson.dumps(dump_record(SimpleNamespace(**row)))


def _check_used(row: Row) -> None:
    if row[WITHDRAWN] is not None:
        raise WithdrawnError(f"The record was withdrawn on {moment(row[WITHDRAWN])}.")
