"""The list of requests: its filters, and its pages in the order in which requests came in."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

from sqlalchemy import select

from models.domain.cells import read_term
from models.errors import Fault, InputError
from service.api.requests.schemas import dump_entry
from service.api.requests.states import STATES
from service.context import context
from service.db.engine import reading
from service.db.request_tables import CONTACTS, REQUESTS
from service.http.pagination import PAGED, USUAL, link_after
from service.http.queries import Query, checked

_CURSOR = re.compile(r"after-(req_[0-9a-v]{26})", re.ASCII)
_MOMENT = r"\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?Z)?"
_PERSON = ("name", "email", "phone", "reference")


def _read_cursor(text: str) -> str:
    found = _CURSOR.fullmatch(text)
    if found:
        return found[1]
    step = "follow the link of an answer, or leave it out to begin"
    raise InputError([Fault("cursor", text, "is not a cursor of this list", "one from a link", step)])


def _read_since(text: str, faults: list[Fault]) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text) if re.fullmatch(_MOMENT, text, re.ASCII) else None
    except ValueError:
        moment = None
    if moment is None:
        allowed = "a day as 2026-03-31, or a moment in UTC as 2026-03-31T12:00:00Z"
        faults.append(Fault("since", text, "is no day or moment", allowed, "correct it"))
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


FILTERS = (
    PAGED[0],
    Query(
        "cursor",
        "where the page starts: taken from the Link of the page before",
        {"type": "string", "pattern": f"^{_CURSOR.pattern}$"},
        _read_cursor,
    ),
    Query(
        "state",
        "only requests in this state",
        {"type": "string", "enum": [*STATES]},
        checked(lambda given, faults: read_term("state", given.strip(), tuple(STATES), faults)),
    ),
    Query(
        "since",
        "only requests that were changed on this day, at this moment in UTC, or later",
        {"type": "string", "pattern": f"^{_MOMENT}$", "example": "2026-03-31"},
        checked(_read_since),
    ),
)


def listed(asked: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of requests, and the header with the link to the next one."""
    limit = asked["limit"] or USUAL
    people = [CONTACTS.c[name] for name in _PERSON]
    wanted = select(REQUESTS, *people).outerjoin(CONTACTS, CONTACTS.c.request_id == REQUESTS.c.id)
    wanted = wanted.order_by(REQUESTS.c.id).limit(limit + 1)
    if asked["cursor"]:
        wanted = wanted.where(REQUESTS.c.id > asked["cursor"])
    if asked["state"]:
        wanted = wanted.where(REQUESTS.c.state == asked["state"])
    if asked["since"]:
        wanted = wanted.where(REQUESTS.c.changed >= asked["since"])
    with reading(context().engine) as connection:
        found = connection.execute(wanted).all()
    rows = found[:limit]
    entries = [
        dump_entry(SimpleNamespace(**row._mapping, contact=row if row.name is not None else None))
        for row in rows
    ]
    return {"requests": entries}, (link_after(rows[-1].id) if len(found) > limit else {})
