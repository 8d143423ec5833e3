"""Requests, contacts, notes and events in the database."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import orjson
from flask import g
from sqlalchemy import Connection, Row, func, insert, select, update

from service.db.request_tables import CONTACTS, EVENTS, NOTES, REPORTS, REQUESTS
from service.db.tables import KEYS
from service.keys.kinds import OWNER, WEBSITE

OWNER_DID = "owner"  # the actor of what came by the owner's link
NOTE, TO_OWNER, FROM_OWNER = "note", "to_owner", "from_owner"  # the kinds of notes
_CONTACT = [CONTACTS.c[name] for name in ("name", "email", "phone", "message", "reference", "link")]


def dumped(value: Any) -> str | None:
    """Return a value as the JSON text that a column keeps, None for none."""
    return None if value is None else orjson.dumps(value).decode()


def add(connection: Connection, row: Mapping[str, Any], contact: Mapping[str, Any]) -> Row[Any]:
    """Store a new request with its owner, and return its row."""
    added = connection.execute(insert(REQUESTS).values(row).returning(*REQUESTS.c)).one()
    connection.execute(insert(CONTACTS).values({**contact, "request_id": row["id"]}))
    return added


def change(connection: Connection, row: Row[Any], **columns: Any) -> Row[Any]:
    """Store changed columns of a request, and return its new row."""
    now = {"version": row.version + 1, "changed": datetime.now(UTC)}
    changed = update(REQUESTS).where(REQUESTS.c.id == row.id).values(**columns, **now)
    return connection.execute(changed.returning(*REQUESTS.c)).one()


def event(connection: Connection, request_id: str, action: str, **detail: Any) -> None:
    """Record what happened to a request. `detail`: without a word about the person."""
    actor = OWNER_DID if g.caller.kind == OWNER else g.caller.key_id
    row = {"request_id": request_id, "at": datetime.now(UTC), "actor": actor, "action": action}
    connection.execute(insert(EVENTS).values(**row, detail=dumped(detail)))


def events(connection: Connection, request_id: str) -> Sequence[Row[Any]]:
    """Return the events of a request, oldest first."""
    wanted = select(EVENTS).where(EVENTS.c.request_id == request_id).order_by(EVENTS.c.id)
    return connection.execute(wanted).all()


def sites(connection: Connection, actors: Collection[str]) -> set[str]:
    """Return those of these keys that are keys of websites."""
    wanted = select(KEYS.c.id).where(KEYS.c.id.in_(actors), KEYS.c.kind == WEBSITE)
    return set(connection.execute(wanted).scalars())


def times(connection: Connection, request_id: str, action: str) -> int:
    """Return how often this happened to a request."""
    these = (EVENTS.c.request_id == request_id) & (EVENTS.c.action == action)
    return connection.execute(select(func.count()).select_from(EVENTS).where(these)).scalar_one()


def contact(connection: Connection, request_id: str) -> Row[Any] | None:
    """Return what is kept about the owner, None if the owner was erased."""
    return connection.execute(select(*_CONTACT).where(CONTACTS.c.request_id == request_id)).first()


def add_note(connection: Connection, request_id: str, kind: str, text: str) -> Row[Any]:
    """Keep a note or message, and return its row."""
    row = {"request_id": request_id, "at": datetime.now(UTC), "key_id": g.caller.key_id}
    kept = insert(NOTES).values(**row, kind=kind, text=text).returning(*NOTES.c)
    return connection.execute(kept).one()


def notes(connection: Connection, request_id: str, *kinds: str) -> Sequence[Row[Any]]:
    """Return the notes of these kinds, oldest first."""
    wanted = (
        select(NOTES).where(NOTES.c.request_id == request_id, NOTES.c.kind.in_(kinds)).order_by(NOTES.c.id)
    )
    return connection.execute(wanted).all()


def note_count(connection: Connection, request_id: str) -> int:
    """Return how many notes and messages a request has."""
    these = select(func.count()).select_from(NOTES).where(NOTES.c.request_id == request_id)
    return connection.execute(these).scalar_one()


def has_report(connection: Connection, request_id: str) -> bool:
    """Say whether a report was issued for the request."""
    wanted = select(REPORTS.c.id).where(REPORTS.c.request_id == request_id).limit(1)
    return connection.execute(wanted).first() is not None
