"""Find the request that a path names, if the caller may touch it."""

from __future__ import annotations

from typing import Any

from flask import g
from sqlalchemy import Connection, Row, select

from service.db.request_tables import REQUESTS
from service.errors import UnknownRecordError
from service.keys.callers import Caller
from service.keys.kinds import OWNER, SYSTEM


def request_of(connection: Connection, request_id: str) -> Row[Any]:
    """Return the row of this request.

    Raises UnknownRecordError for one that is not there, or not the caller's: a system key touches all
    requests, a website key those that it made, and an owner's link its own.
    """
    row = connection.execute(select(REQUESTS).where(REQUESTS.c.id == request_id)).first()
    if row is None or not _may_touch(g.caller, row):
        raise UnknownRecordError(f"No request has the id {request_id[:40]!r}.")
    return row


def _may_touch(caller: Caller, row: Row[Any]) -> bool:
    if caller.kind == OWNER:
        return bool(caller.request_id == row.id)
    return caller.kind == SYSTEM or bool(caller.key_id == row.key_id)
