"""A request as its answers show it, to the specialist or to its owner."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import orjson
from flask import g
from sqlalchemy import Connection, Row, select

from service.api.requests import records
from service.api.requests.schemas import dump_request
from service.api.requests.states import OWNER, REPORTED, mover
from service.api.valuations.records import ANSWER, answer_of
from service.db.tables import VALUATIONS

_SHOWN = ("id", "date", "channel", "currency", "value", "intervals")


def shown(connection: Connection, row: Row[Any]) -> dict[str, Any]:
    """Return the answer with a request, as this caller may see it."""
    person = records.contact(connection, row.id)
    found = SimpleNamespace(
        **row._mapping,
        row=row,
        contact=person,
        reference=person.reference if person else None,
        message=person.message if person else None,
        valuation=value_shown(connection, row),
        messages=messages(connection, row.id),
    )
    if mover(g.caller) == OWNER and row.state != REPORTED:
        found.graded = found.adjustment = None  # the specialist's work, until it is issued
    return dump_request(found)


def messages(connection: Connection, request_id: str) -> list[SimpleNamespace]:
    """Return the words between the specialist and the owner, oldest first."""
    found = records.notes(connection, request_id, records.TO_OWNER, records.FROM_OWNER)
    senders = {records.TO_OWNER: "specialist", records.FROM_OWNER: "owner"}
    return [SimpleNamespace(at=note.at, sender=senders[note.kind], text=note.text) for note in found]


def value_shown(connection: Connection, row: Row[Any]) -> SimpleNamespace | None:
    """Return the main figures of the valuation that the owner was shown, None for none."""
    answer = kept_answer(connection, row.valuation_id)
    if answer is None:
        return None
    figures = {name: answer[name] for name in _SHOWN}
    ranges = [SimpleNamespace(**one) for one in answer["intervals"]]
    return SimpleNamespace(**{**figures, "intervals": ranges})


def kept_answer(connection: Connection, valuation_id: str | None) -> dict[str, Any] | None:
    """Return the answer of a valuation that is kept, None without one."""
    columns = [VALUATIONS.c[name] for name in ANSWER]
    found = connection.execute(select(*columns).where(VALUATIONS.c.id == valuation_id)).first()
    answer: dict[str, Any] | None = orjson.loads(answer_of(found)) if found and valuation_id else None
    return answer
