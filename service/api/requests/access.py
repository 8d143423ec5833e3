"""Find the request that a path names, if the caller may touch it."""

from __future__ import annotations

import re
from typing import Any

from flask import g
from sqlalchemy import Connection, Row, select

from service.db.request_tables import REQUESTS
from service.errors import UnknownRecordError
from service.keys.callers import Caller
from service.keys.kinds import OWNER, SYSTEM

_ID = re.compile(r"req_[0-9a-v]{1,36}", re.ASCII)


def request_of(connection: Connection, request_id: str, *, to_change: bool = False) -> Row[Any]:
    """Return the row of this request. `to_change`: nobody else can change it until the transaction ends.

    Raises UnknownRecordError for one that is not there, or not the caller's: a system key touches all
    requests, a website key those that it made, and an owner's link its own.
    """
    wanted = select(REQUESTS).where(REQUESTS.c.id == request_id)
    if to_change:
        wanted = wanted.with_for_update()  # SQLite's writers take turns anyway
    possible = _ID.fullmatch(request_id) is not None  # other ids can hold what the database refuses
    row = connection.execute(wanted).first() if possible else None
    if row is None or not _may_touch(g.caller, row):
        raise UnknownRecordError(f"No request has the id {request_id[:40]!r}.")
    return row


def _may_touch(caller: Caller, row: Row[Any]) -> bool:
    if caller.kind == OWNER:
        return bool(caller.request_id == row.id)
    return caller.kind == SYSTEM or bool(caller.key_id == row.key_id)
