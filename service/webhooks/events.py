"""Events: each change of the stock that a webhook wants, queued in the transaction of the change."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, insert, select

from service.db.ids import new_id
from service.db.item_tables import WEBHOOK_DELIVERIES, WEBHOOK_EVENTS, WEBHOOKS

CHANGES: Mapping[str, str] = {
    "created": "an item was put into the stock",
    "changed": "what the dealer says of an item is another",
    "valued": "an item has another value, or could not be valued",
    "deleted": "an item was taken out of the stock",
}
TEST = "webhook.test"  # the type of an event that is of no item, and only shows that it arrives
WAITING, DELIVERED, GIVEN_UP = "waiting", "delivered", "given_up"


def emit(connection: Connection, changes: Sequence[tuple[str, str, int]]) -> None:
    """Queue events of these changes: (stock number, change, position in the feed), in an open transaction.

    Nothing is written of a change that no webhook wants.
    """
    wanted = _wanted(connection)
    now = datetime.now(UTC)
    events: list[dict[str, Any]] = []
    deliveries: list[dict[str, Any]] = []
    for stock_number, change, position in changes:
        takers = [webhook_id for webhook_id, changes_of in wanted.items() if change in changes_of]
        if takers:
            data = {"stock_number": stock_number, "change": change, "position": position}
            event = _event(f"item.{change}", now, data)
            events.append(event)
            deliveries += [_delivery(webhook_id, event, now) for webhook_id in takers]
    if events:
        connection.execute(insert(WEBHOOK_EVENTS), events)
        connection.execute(insert(WEBHOOK_DELIVERIES), deliveries)


def queue_test(connection: Connection, webhook_id: str) -> None:
    """Queue an event for this webhook that is of no item."""
    now = datetime.now(UTC)
    event = _event(TEST, now, {"webhook": webhook_id})
    connection.execute(insert(WEBHOOK_EVENTS).values(event))
    connection.execute(insert(WEBHOOK_DELIVERIES).values(_delivery(webhook_id, event, now)))


def _wanted(connection: Connection) -> dict[str, frozenset[str]]:
    """Return the webhooks that passed a test once, and the changes that each wants to hear of."""
    ready = WEBHOOKS.c.tested.is_not(None), WEBHOOKS.c.deleted.is_(None)
    rows = connection.execute(select(WEBHOOKS.c.id, WEBHOOKS.c.changes).where(*ready))
    return {row.id: frozenset(json.loads(row.changes)) for row in rows}


def _event(kind: str, now: datetime, data: Mapping[str, Any]) -> dict[str, Any]:
    moment = now.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return {
        "id": new_id("evt"),
        "position": data.get("position", 0),
        "stock_number": data.get("stock_number"),
        "type": kind,
        "created": now,
        "body": json.dumps({"type": kind, "timestamp": moment, "data": data}, ensure_ascii=False),
    }


def _delivery(webhook_id: str, event: Mapping[str, Any], now: datetime) -> dict[str, Any]:
    same = {name: event[name] for name in ("stock_number", "position")}
    return {"webhook_id": webhook_id, "event_id": event["id"], "state": WAITING, "due": now, **same}
