"""The notes on a request, and what happened to it."""

from __future__ import annotations

from collections.abc import Set
from functools import partial
from types import SimpleNamespace
from typing import Any

import orjson
from flask import g
from sqlalchemy import Connection, Row

from service.api.requests import records
from service.api.requests.access import request_of
from service.api.requests.schemas import dump_event, dump_note
from service.api.requests.services import say
from service.api.requests.states import OWNER, mover
from service.context import context
from service.db.engine import reading
from service.http.idempotency import StoredResponse, claim_of_request, run_once

# What the specialist does on the way to a report is not for the owner's eyes.
_UNSEEN = ("graded", "adjusted", "noted")


def events(request_id: str) -> dict[str, Any]:
    """Return the answer with a request's history, as the caller may see it. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        return {"events": events_shown(connection, request_of(connection, request_id).id)}


def events_shown(connection: Connection, request_id: str) -> list[dict[str, Any]]:
    """Return what happened to a request; an owner sees no ids of keys, and nothing of the work on it."""
    found = records.events(connection, request_id)
    if mover(g.caller) != OWNER:
        return [dump_event(event) for event in found]
    sites = records.sites(connection, {event.actor for event in found})
    return [
        dump_event(SimpleNamespace(**{**event._mapping, "actor": _actor(event, sites)}))
        for event in found
        if event.action not in _UNSEEN
    ]


def _actor(event: Row[Any], sites: Set[str]) -> str:
    """Return who did it in words, as an owner sees it: the form on a site speaks for the owner."""
    by_owner = event.action == "created" or event.actor == records.OWNER_DID or event.actor in sites
    return records.OWNER_DID if by_owner else "specialist"


def notes(request_id: str) -> dict[str, Any]:
    """Return the answer with the notes on a request. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        row = request_of(connection, request_id)
        return {"notes": [dump_note(note) for note in records.notes(connection, row.id, records.NOTE)]}


def note(request_id: str, text: str) -> StoredResponse:
    """Keep a note, once for each Idempotency-Key. Raises UnknownRecordError, RequestStateError."""
    return run_once(partial(_note, request_id, text), claim_of_request())


def _note(request_id: str, text: str, connection: Connection) -> StoredResponse:
    row = request_of(connection, request_id, to_change=True)
    kept = say(connection, row.id, records.NOTE, text)
    records.event(connection, row.id, "noted", note=kept.id)
    return StoredResponse(201, None, orjson.dumps(dump_note(kept)))
