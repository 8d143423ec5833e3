"""Make, find and list watchlists."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any

import orjson
from flask import g
from sqlalchemy import Connection

from models.domain.vocabulary import MAX_TEXT
from service.api.watchlists import records
from service.api.watchlists.schemas import dump_watchlist
from service.context import context
from service.db.engine import reading
from service.db.ids import new_id
from service.errors import FaultyRequestError, UnknownRecordError
from service.faults import with_pointers
from service.http.idempotency import StoredResponse, claim_of_request, run_once
from service.http.pagination import next_link, page_of
from service.texts import text_faults

PATH = "/v1/watchlists"
_ID = re.compile(r"wat_[0-9a-v]{26}", re.ASCII)


def make(name: object) -> StoredResponse:
    """Make a watchlist, once for each Idempotency-Key, and return the answer that shows it.

    Raises FaultyRequestError for a name that cannot be kept.
    """
    faults = text_faults("name", name, MAX_TEXT, "say what it is for")
    if faults:
        raise FaultyRequestError(with_pointers(faults))

    def change(connection: Connection) -> StoredResponse:
        row = {"id": new_id("wat"), "key_id": g.caller.key_id, "name": name, "created": datetime.now(UTC)}
        records.keep(connection, row)
        made = records.find(connection, str(row["id"]))
        return StoredResponse(201, f"{PATH}/{row['id']}", orjson.dumps(dump_watchlist(made)))

    return run_once(change, claim_of_request())


def show(watchlist_id: str) -> dict[str, Any]:
    """Return a watchlist. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        found = records.find(connection, watchlist_id) if _ID.fullmatch(watchlist_id) else None
    if found is None:
        raise UnknownRecordError("There is no watchlist with this id.")
    return dump_watchlist(found)


def listed(asked: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of watchlists, and the header with the link to the next one."""
    page = page_of(asked)
    with reading(context().engine) as connection:
        found = records.page(connection, page.after, page.limit + 1)
    shown = found[: page.limit]
    link = next_link(found, page, shown[-1].number if shown else 0)
    return {"watchlists": [dump_watchlist(row) for row in shown]}, link
