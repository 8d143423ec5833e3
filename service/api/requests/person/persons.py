"""All that is kept about an owner: shown, exported, and erased."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import orjson
import structlog
from flask import g
from sqlalchemy import Connection, Row, Table, delete, or_, select

from service.api.requests import records
from service.api.requests.access import request_of
from service.api.requests.person.history import events_shown
from service.api.requests.schemas import dump_contact, dump_note
from service.api.requests.showing import kept_answer, shown
from service.api.requests.states import OWNER, mover
from service.context import context
from service.db.engine import reading, truncate_log, writing
from service.db.request_tables import CONTACTS, NOTES, PHOTOGRAPHS, REPORTS
from service.db.tables import ANSWERS, CLAIMS
from service.errors import UnknownRecordError
from service.http.hooks.conditional import check_unchanged
from service.http.schemas import moment

_log = structlog.get_logger()


def show(request_id: str) -> dict[str, Any]:
    """Return the answer with what is kept about the owner alone. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        found = _contact(connection, request_of(connection, request_id))
    if found is None:
        raise UnknownRecordError("The owner of this request was erased.")
    return found


def _contact(connection: Connection, row: Row[Any]) -> dict[str, Any] | None:
    found = records.contact(connection, row.id)
    if found is None:
        return None
    return dump_contact(SimpleNamespace(**found._mapping, follow=f"/follow/{found.link}"))


def export(request_id: str) -> dict[str, Any]:
    """Return all that is kept about a request and its owner. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        row = request_of(connection, request_id)
        for_owner = mover(g.caller) == OWNER
        notes = () if for_owner else records.notes(connection, row.id, records.NOTE)
        return {
            "exported": moment(datetime.now(UTC)),
            "request": shown(connection, row),
            "contact": _contact(connection, row),
            "notes": [dump_note(note) for note in notes],
            "events": events_shown(connection, row.id),
            "valuation": kept_answer(connection, row.valuation_id),
            "photographs": _rows(connection, PHOTOGRAPHS, row.id),
            "reports": _rows(connection, REPORTS, row.id),
            "left_out": ["notes", "what the specialist changed before a report"] if for_owner else [],
        }


def _rows(connection: Connection, table: Table, request_id: str) -> list[dict[str, Any]]:
    wanted = select(table).where(table.c.request_id == request_id).order_by(table.c.id)
    unsaid = ("request_id", "key_id")
    return [
        {
            str(name): moment(value) if isinstance(value, datetime) else _plain(name, value)
            for name, value in row._mapping.items()
            if name not in unsaid
        }
        for row in connection.execute(wanted)
    ]


def _plain(name: str, value: Any) -> Any:
    return orjson.loads(value) if name == "content" and value else value


# ── erase ────────────────────────────────────────────────────────────────────


def erase(request_id: str) -> dict[str, Any]:
    """Erase the owner of a request for good, and return when. What is known of the instrument stays.

    A second time nothing is left to be erased, and the answer is the same. Raises UnknownRecordError.
    """
    afterwards: list[Callable[[], object]] = []
    with writing(context().engine) as connection:
        row = request_of(connection, request_id, to_change=True)
        contact = _contact(connection, row)
        if contact is not None:
            check_unchanged(orjson.dumps(contact))
            afterwards = _erase(connection, row)
        erased = _erased(records.events(connection, row.id))
    for rest in afterwards:
        rest()
    context().callers.forget()  # the link is dead; other workers look it up within `key_seconds`
    if not truncate_log(context().engine):
        _log.warning("erased text waits in the write-ahead log until it is written over")
    return {"id": row.id, "erased": moment(erased)}


def _erase(connection: Connection, row: Row[Any]) -> list[Callable[[], object]]:
    """Delete all that tells who the owner is; return what is to be done after the transaction."""
    afterwards = [forget(connection, row.id) for forget in context().forgetters]
    for table in (CONTACTS, NOTES):
        connection.execute(delete(table).where(table.c.request_id == row.id))
    _forget_answers(connection, f"/v1/requests/{row.id}")
    adjustment = row.adjustment and {**orjson.loads(row.adjustment), "reason": None}
    dead = secrets.token_hex(32)  # no link has this digest
    records.change(connection, row, link_digest=dead, adjustment=records.dumped(adjustment or None))
    records.event(connection, row.id, "erased")
    return [rest for rest in afterwards if rest is not None]


def _forget_answers(connection: Connection, path: str) -> None:
    """Delete the answers under Idempotency-Keys that hold the owner's link or words, and their claims."""
    below = CLAIMS.c.path.startswith(f"{path}/", autoescape=True)
    made = select(ANSWERS.c.id).where(ANSWERS.c.location == path)
    claimed = select(CLAIMS.c.record_id).where(or_(below, CLAIMS.c.record_id.in_(made)))
    ids = connection.execute(claimed).scalars().all()
    connection.execute(delete(ANSWERS).where(ANSWERS.c.id.in_(ids)))
    connection.execute(delete(CLAIMS).where(CLAIMS.c.record_id.in_(ids)))


def _erased(events: Sequence[Row[Any]]) -> datetime:
    at: datetime = next(event.at for event in events if event.action == "erased")
    return at
