"""Revaluations and histories for answers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import orjson
from flask import g
from sqlalchemy import Connection, Row, select

from service.api.revaluations.schemas import dump_history, dump_revaluation
from service.context import context
from service.db.engine import reading
from service.db.item_tables import ITEM_VALUES
from service.http.idempotency import StoredResponse, claim_of_request, run_once
from service.http.pagination import Page, next_link
from service.inventory import moves, revaluations
from service.inventory.listing import Filters
from service.inventory.records import item_of

PATH = "/v1/revaluations"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TICK = timedelta(microseconds=1)
_LAST = (datetime.max.replace(tzinfo=UTC) - _EPOCH) // _TICK  # the form of a cursor allows more


def begin(filters: Filters) -> StoredResponse:
    """Add a revaluation that waits for its turn, once for each Idempotency-Key."""

    def add(connection: Connection) -> StoredResponse:
        now = datetime.now(UTC)
        made = revaluations.begin(connection, filters, revaluations.ASKED, now, key_id=g.caller.key_id)
        answer = orjson.dumps(_shown(revaluations.find(connection, made)))
        return StoredResponse(202, f"{PATH}/{made}", answer)

    return run_once(add, claim_of_request())


def show(revaluation_id: str) -> dict[str, Any]:
    """Return a revaluation. Raises UnknownRecordError."""
    with reading(context().engine) as connection:
        return _shown(revaluations.find(connection, revaluation_id))


def listed(page: Page) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of revaluations, newest first, and the header with the link to the next one."""
    before = _EPOCH + min(page.after, _LAST) * _TICK if page.after else None
    with reading(context().engine) as connection:
        found = revaluations.entries(connection, before, page.limit + 1)
    shown = found[: page.limit]
    position = (shown[-1].created - _EPOCH) // _TICK if shown else 0
    return {"revaluations": [_shown(row) for row in shown]}, next_link(found, page, position)


def history(stock_number: str, page: Page) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of an item's values, newest first, and the header with the link to the next one.

    Raises UnknownRecordError, ItemDeletedError.
    """
    query = select(ITEM_VALUES).where(ITEM_VALUES.c.stock_number == stock_number)
    if page.after:
        query = query.where(ITEM_VALUES.c.id < page.after)
    with reading(context().engine) as connection:
        item = item_of(connection, stock_number)
        found = connection.execute(query.order_by(ITEM_VALUES.c.id.desc()).limit(page.limit + 1)).all()
    shown = found[: page.limit]
    answer = SimpleNamespace(stock_number=item.stock_number, values=[_value(row) for row in shown])
    return dump_history(answer), next_link(found, page, shown[-1].id if shown else 0)


def _shown(row: Row[Any]) -> dict[str, Any]:
    return dump_revaluation(SimpleNamespace(**{**row._mapping, "filter": orjson.loads(row.filter)}))


def _value(row: Row[Any]) -> SimpleNamespace:
    loaded = {name: orjson.loads(getattr(row, name)) for name in ("value", "intervals")}
    kept = {**row._mapping, **loaded, **moves.shown(row), "revaluation": row.revaluation_id}
    return SimpleNamespace(**kept)
