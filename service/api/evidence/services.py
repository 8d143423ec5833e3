"""What can be done with a record of evidence: take it in, correct it, withdraw it, and see what was done."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

import orjson
from flask import g
from sqlalchemy import Connection

from models.errors import Fault, InputError
from models.evidence import Evidence
from models.rows import WITHDRAWN, from_row
from service.api.evidence import records
from service.api.evidence.records import Mark, Prepared, Row
from service.context import bundle, context
from service.db.engine import reading, writing
from service.errors import DuplicateError, WithdrawnError
from service.http.hooks.conditional import check_unchanged
from service.http.idempotency import StoredResponse, claim_of_request, run_once
from service.http.schemas import moment

PATH = "/v1/evidence"
HISTORY = "history"  # what the address of a record's changes ends with


def mark(reason: str | None = None) -> Mark:
    """This request's caller, now."""
    return Mark(g.caller.key_id, datetime.now(UTC), reason)


def read(data: Mapping[str, Any]) -> Evidence:
    """A record as JSON, spelled as the current catalogue has it. Raises InputError, NoBundleError."""
    valuer = bundle().valuer
    faults = list(id_faults(data.get("id")))
    try:
        found = Evidence.from_nested(data, valuer.catalogue, valuer.rates)
    except InputError as error:
        raise InputError([*faults, *error.faults]) from None
    if faults:
        raise InputError(faults)
    return found


def id_faults(given: object) -> tuple[Fault, ...]:
    """What is wrong with an id that can be one, but in no address."""
    parts = given.strip().split("/") if isinstance(given, str) else [""]
    if len(parts) == 1 and parts[0] not in (".", ".."):
        return ()
    if parts[0] and parts[-1] != HISTORY and not {".", ".."} & set(parts):
        return ()
    allowed = f"no / in front, no /{HISTORY} at the end, no . or .. between two /"
    return (Fault("id", given, "cannot stand in an address", allowed, "use another id"),)


def record(e: Evidence) -> StoredResponse:
    """Take one record in. Raises DuplicateError."""

    def change(connection: Connection) -> StoredResponse:
        records.take_turn(connection)
        if not records.add(connection, [Prepared.of(e)], mark()):
            raise DuplicateError(f"A record with the id {e.id[:80]!r} stands already.")
        return StoredResponse(201, f"{PATH}/{quote(e.id)}", _answer(records.find(connection, e.id)))

    return run_once(change, claim_of_request())


def show(record_id: str) -> bytes:
    """The record as it is now. Raises UnknownRecordError, WithdrawnError."""
    with reading(context().engine) as connection:
        row = records.find(connection, record_id)
    _check_used(row)
    return _answer(row)


def correct(record_id: str, e: Evidence, reason: str | None) -> bytes:
    """Let the record be this one; one that was withdrawn is used again. Raises UnknownRecordError."""
    with writing(context().engine) as connection:
        before = records.find(connection, record_id, to_change=True)
        check_unchanged(_answer(before))
        action = "corrected" if before[WITHDRAWN] is None else "reinstated"
        records.replace(connection, before, e, action, mark(reason))
        return _answer(records.find(connection, record_id))


def withdraw(record_id: str, reason: str | None) -> bytes:
    """Use the record no more. Raises UnknownRecordError, WithdrawnError."""
    with writing(context().engine) as connection:
        before = records.find(connection, record_id, to_change=True)
        _check_used(before)
        check_unchanged(_answer(before))
        records.withdraw(connection, before, mark(reason))
        return _answer(records.find(connection, record_id))


def history(record_id: str) -> dict[str, Any]:
    """Every change of a record, oldest first. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        found = records.history(connection, record_id)
    return {"id": record_id, "changes": [_change(row) for row in found]}


def entry(row: Row) -> dict[str, Any]:
    """A record as it is answered."""
    withdrawn = row[WITHDRAWN]
    return {
        **from_row(row).to_nested(),
        "version": row["version"],
        "recorded": moment(row["recorded"]),
        "changed": moment(row["changed"]),
        "withdrawn": moment(withdrawn) if withdrawn else None,
    }


def _answer(row: Row) -> bytes:
    return orjson.dumps(entry(row))


def _check_used(row: Row) -> None:
    if row[WITHDRAWN] is not None:
        raise WithdrawnError(f"The record was withdrawn on {moment(row[WITHDRAWN])}.")


def _change(row: Row) -> dict[str, Any]:
    return {
        "version": row["version"],
        "action": row["action"],
        "key": row["key_id"],
        "at": moment(row["at"]),
        "reason": row["reason"],
        "record": orjson.loads(row["record"]),
    }
