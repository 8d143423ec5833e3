"""Deliveries of one endpoint: listed, queued again, and deleted with their events when their time is over."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Connection, Engine, Row, Select, delete, select, update

from models.costs import MOST_REPLAYED, WEBHOOK_DAYS
from service.db import audit
from service.db.engine import writing
from service.db.item_tables import WEBHOOK_DELIVERIES, WEBHOOK_EVENTS
from service.errors import UnknownRecordError
from service.webhooks.events import DELIVERED, GIVEN_UP, WAITING

STATES = {
    WAITING: "it waits for its time, for an earlier one of its item, or for the webhook; or is being sent",
    DELIVERED: "the receiver answered 2xx",
    GIVEN_UP: "all attempts failed while the webhook took others, or it was a test that failed",
}
_AT_ONCE = 1_000
_D, _E = WEBHOOK_DELIVERIES.c, WEBHOOK_EVENTS.c
_ANEW = {"state": WAITING, "attempts": 0, "leased": None, "delivered": None}


class Replayed(NamedTuple):
    """The number of deliveries queued again, and the event at which to go on, None if that was all."""

    queued: int
    next_event: str | None


def entries(
    connection: Connection, webhook_id: str, state: str | None, before: int, limit: int
) -> Sequence[Row[Any]]:
    """Return up to `limit` deliveries, newest first. `before`: only those with a lower number; 0: all."""
    query = _shown().where(_D.webhook_id == webhook_id).order_by(_D.id.desc()).limit(limit)
    if state is not None:
        query = query.where(_D.state == state)
    return connection.execute(query.where(_D.id < before) if before else query).all()


def entry(connection: Connection, webhook_id: str, event_id: str) -> Row[Any]:
    """Return the delivery of this event to this endpoint. Raises UnknownRecordError."""
    query = _shown().where(_D.event_id == event_id, _D.webhook_id == webhook_id)
    row = connection.execute(query).first()
    if row is None:
        raise UnknownRecordError(f"There is no delivery of the event {event_id[:40]!r} to this webhook.")
    return row


def _shown() -> Select[Any]:
    return select(WEBHOOK_DELIVERIES, _E.type, _E.created).join(WEBHOOK_EVENTS, _E.id == _D.event_id)


def send_again(connection: Connection, webhook_id: str, event_id: str, key_id: str) -> Row[Any]:
    """Queue a delivery again, or let one that waits for its time go now. Raises UnknownRecordError."""
    row = entry(connection, webhook_id, event_id)
    mine, now = _D.id == row.id, datetime.now(UTC)
    ended = update(WEBHOOK_DELIVERIES).where(mine, _D.state != WAITING).values(**_ANEW, due=now)
    if not connection.execute(ended).rowcount:
        connection.execute(update(WEBHOOK_DELIVERIES).where(mine, _D.due > now).values(due=now))
    audit.record(connection, key_id, "webhook_sent_again", webhook_id, f"the event {event_id}")
    return entry(connection, webhook_id, event_id)


def replay(
    connection: Connection, webhook_id: str, key_id: str, *, event_id: str | None, since: datetime | None
) -> Replayed:
    """Queue again what ended, from this event or moment on, oldest first. Raises UnknownRecordError.

    An event keeps its id, by which a receiver knows that it has it already.
    """
    query = select(_D.id, _D.event_id, _D.position).where(
        _D.webhook_id == webhook_id, _D.state != WAITING, _D.stock_number.is_not(None)
    )
    if event_id is not None:
        query = query.where(_D.position >= entry(connection, webhook_id, event_id).position)
    if since is not None:
        query = query.join(WEBHOOK_EVENTS, _E.id == _D.event_id).where(_E.created >= since)
    rows = connection.execute(query.order_by(_D.position).limit(MOST_REPLAYED + 1)).all()
    chosen = rows[:MOST_REPLAYED]
    if chosen:
        first, last = chosen[0].position, chosen[-1].position
        span = _D.webhook_id == webhook_id, _D.position >= first, _D.position <= last
        ended = _D.state != WAITING, _D.stock_number.is_not(None)
        change = update(WEBHOOK_DELIVERIES).where(*span, *ended)
        connection.execute(change.values(**_ANEW, due=datetime.now(UTC)))
    audit.record(connection, key_id, "webhook_replayed", webhook_id, f"{len(chosen)} events")
    return Replayed(len(chosen), rows[-1].event_id if len(rows) > MOST_REPLAYED else None)


def prune(engine: Engine, now: datetime | None = None) -> int:
    """Delete events that have outlived their time, with their deliveries; return how many.

    An endpoint that is parked for so long loses what waits for it: the feed of items still has it.
    """
    before, count = (now or datetime.now(UTC)) - timedelta(days=WEBHOOK_DAYS), 0
    oldest = select(_E.id).where(_E.created < before).order_by(_E.created).limit(_AT_ONCE)
    while True:
        with writing(engine) as connection:
            ids = list(connection.execute(oldest).scalars())
            connection.execute(delete(WEBHOOK_DELIVERIES).where(_D.event_id.in_(ids)))
            count += connection.execute(delete(WEBHOOK_EVENTS).where(_E.id.in_(ids))).rowcount
        if len(ids) < _AT_ONCE:
            return count
