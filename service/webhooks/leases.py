"""Leases: one process has a delivery at a time, and each step on its way is committed before the next begins.

    waiting ──claim──▶ leased ──deliver──▶ delivered
       ▲                 │
       └────postpone─────┴──(all attempts failed)──▶ given_up

A lease that is over can be claimed again: a process that dies between an answer and its commit leaves the
delivery to be sent a second time, with the same id. Deliveries of one item at one endpoint go in the order of
their positions: none is claimed while an earlier one waits.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Connection, Engine, Row, and_, exists, func, or_, select, update

from models.costs import (
    MOST_WEBHOOK_PAUSE,
    WEBHOOK_AT_ONCE,
    WEBHOOK_JITTER,
    WEBHOOK_LEASE_SECONDS,
    WEBHOOK_PATIENCE,
    WEBHOOK_PAUSES,
)
from service.db.engine import reading, writing
from service.db.item_tables import WEBHOOK_DELIVERIES, WEBHOOK_EVENTS, WEBHOOK_SECRETS, WEBHOOKS
from service.webhooks.events import DELIVERED, GIVEN_UP, WAITING

UNTESTED, ACTIVE, PARKED = "untested", "active", "parked"
GONE = 410  # the receiver says that it will never take anything again
_LEASE = timedelta(seconds=WEBHOOK_LEASE_SECONDS)
_W, _D = WEBHOOKS.c, WEBHOOK_DELIVERIES.c


class Reply(NamedTuple):
    """The end of one attempt. `why`: None if the receiver took it. `pause`: the seconds it asks to wait."""

    status: int | None
    why: str | None
    pause: float = 0.0


class DeliveryLease(NamedTuple):
    """The lease of one delivery. `until` also names it. `test`: it is of no item."""

    id: int
    webhook_id: str
    event_id: str
    body: str
    attempts: int
    test: bool
    url: str
    began: datetime

    @property
    def until(self) -> datetime:
        return self.began + _LEASE


class Batch(NamedTuple):
    """Deliveries that one process sends to one endpoint at once, and the seeds of its secrets."""

    url: str
    seeds: Sequence[str]
    leases: Sequence[DeliveryLease]


def ready(engine: Engine, now: datetime) -> list[str]:
    """Return the ids of the endpoints at which something can be claimed."""
    mine = and_(_D.webhook_id == _W.id, _free(now))
    tests = exists().where(mine, _D.stock_number.is_(None))
    query = select(_W.id).where(_W.deleted.is_(None), or_(and_(_open(now), exists().where(mine)), tests))
    with reading(engine) as connection:
        return list(connection.execute(query.order_by(_W.id)).scalars())


def claim(engine: Engine, webhook_id: str, now: datetime) -> Batch | None:
    """Take deliveries to this endpoint for this process; None if none can be taken now."""
    with writing(engine) as connection:
        webhook = _locked(connection, webhook_id)
        if webhook is None:
            return None
        found = _claimable(connection, webhook, now)
        if not found:
            return None
        change = update(WEBHOOK_DELIVERIES).where(_D.id.in_([row.id for row in found]))
        connection.execute(change.values(leased=now + _LEASE, attempts=_D.attempts + 1))
        seeds = seeds_of(connection, webhook_id, now)
    leases = [
        DeliveryLease(
            row.id,
            webhook_id,
            row.event_id,
            row.body,
            row.attempts + 1,
            row.stock_number is None,
            webhook.url,
            now,
        )
        for row in found
    ]
    return Batch(webhook.url, seeds, leases)


def seeds_of(connection: Connection, webhook_id: str, now: datetime) -> list[str]:
    """Return the seeds of the secrets that sign at this moment, the newest first."""
    secrets = WEBHOOK_SECRETS.c
    alive = secrets.expires.is_(None) | (secrets.expires > now)
    query = select(secrets.seed).where(secrets.webhook_id == webhook_id, alive).order_by(secrets.id.desc())
    return list(connection.execute(query).scalars())


def _claimable(connection: Connection, webhook: Row[Any], now: datetime) -> Sequence[Any]:
    mine = _D.webhook_id == webhook.id
    leased = select(func.count()).where(mine, _D.state == WAITING, _D.leased > now)
    most = WEBHOOK_AT_ONCE if webhook.failures < WEBHOOK_PATIENCE else 1
    room = most - int(connection.execute(leased).scalar_one())
    earlier = WEBHOOK_DELIVERIES.alias().c
    blocked = exists().where(
        earlier.webhook_id == _D.webhook_id,
        earlier.stock_number == _D.stock_number,
        earlier.state == WAITING,
        earlier.position < _D.position,
    )
    query = (
        select(_D.id, _D.event_id, _D.attempts, _D.stock_number, WEBHOOK_EVENTS.c.body)
        .join(WEBHOOK_EVENTS, WEBHOOK_EVENTS.c.id == _D.event_id)
        .where(mine, _free(now), ~blocked)
        .order_by(_D.due, _D.position)
    )
    tests = connection.execute(query.where(_D.stock_number.is_(None)).limit(1)).all()
    if tests or not _is_open(webhook, now) or room <= 0:
        return tests
    return connection.execute(query.limit(room)).all()


def delivered(engine: Engine, lease: DeliveryLease, now: datetime, answer: Reply) -> None:
    """Record that the endpoint took it. Of a test: that the endpoint is active."""
    row = {"state": DELIVERED, "delivered": now, "status": answer.status, "failure": None}
    well = {"failures": 0, "failing": None, "due": None, "failure": None}
    with writing(engine) as connection:
        if lease.test:
            same = and_(_W.id == lease.webhook_id, _W.url == lease.url, _W.deleted.is_(None))
            known = {"state": ACTIVE, "tested": now, "parked": None}
            connection.execute(update(WEBHOOKS).where(same).values(**well, **known))
            _begin_anew(connection, lease.webhook_id, now)
        else:
            later = _W.due.is_(None) | (_W.due <= lease.began)
            failing = and_(_W.id == lease.webhook_id, _W.failures > 0, later)
            connection.execute(update(WEBHOOKS).where(failing, _W.state == ACTIVE).values(well))
        _change(connection, lease, **row)


def failed(engine: Engine, lease: DeliveryLease, now: datetime, answer: Reply) -> str:
    """Let the delivery wait for its next attempt, or give it up; park the endpoint if it takes nothing.

    Returns how the delivery stands then, PARKED if the endpoint was parked by it.
    """
    with writing(engine) as connection:
        webhook = _locked(connection, lease.webhook_id)
        row = {"status": answer.status, "failure": answer.why}
        if webhook is None or webhook.url != lease.url:  # it failed at an address that is not the present one
            _change(connection, lease, due=now, **row)
            return WAITING
        if lease.test:
            connection.execute(update(WEBHOOKS).where(_W.id == webhook.id).values(failure=answer.why))
            _change(connection, lease, state=GIVEN_UP, **row)
            return GIVEN_UP
        failures = _count(connection, webhook, lease, now, answer)
        if answer.status == GONE or failures > len(WEBHOOK_PAUSES):
            _park(connection, webhook, now, answer)
            _change(connection, lease, due=now, **row)
            return PARKED
        # An event is given up only where the endpoint takes others; else the endpoint is parked in the end.
        if lease.attempts > len(WEBHOOK_PAUSES) and failures < WEBHOOK_PATIENCE:
            _change(connection, lease, state=GIVEN_UP, **row)
            return GIVEN_UP
        _change(connection, lease, due=now + pause(lease.attempts, answer.pause), **row)
        return WAITING


def pause(attempts: int, asked: float = 0.0) -> timedelta:
    """Return the pause after so many failed attempts. `asked`: the seconds that the endpoint asked for."""
    usual = WEBHOOK_PAUSES[min(attempts, len(WEBHOOK_PAUSES)) - 1]
    longer = usual * random.uniform(1, 1 + WEBHOOK_JITTER)
    return timedelta(seconds=max(longer, min(asked, MOST_WEBHOOK_PAUSE)))


def _count(
    connection: Connection, webhook: Row[Any], lease: DeliveryLease, now: datetime, answer: Reply
) -> int:
    """Count a failure of the endpoint, and leave it alone for a while after some; return how many in a row.

    Attempts that were under way when a pause began tell nothing new.
    """
    if webhook.due is not None and lease.began < webhook.due:
        return int(webhook.failures)
    failures = int(webhook.failures) + 1
    values = {"failures": failures, "failing": webhook.failing or now, "failure": answer.why}
    if failures >= WEBHOOK_PATIENCE or answer.pause:
        asked = timedelta(seconds=min(answer.pause, MOST_WEBHOOK_PAUSE))
        values["due"] = now + (pause(failures, answer.pause) if failures >= WEBHOOK_PATIENCE else asked)
    connection.execute(update(WEBHOOKS).where(_W.id == webhook.id).values(values))
    return failures


def _park(connection: Connection, webhook: Row[Any], now: datetime, answer: Reply) -> None:
    values = {"state": PARKED, "parked": webhook.parked or now, "failure": answer.why}
    connection.execute(update(WEBHOOKS).where(_W.id == webhook.id).values(values))


def _begin_anew(connection: Connection, webhook_id: str, now: datetime) -> None:
    tried = and_(_D.webhook_id == webhook_id, _free(None), _D.attempts > 0, _D.stock_number.is_not(None))
    connection.execute(update(WEBHOOK_DELIVERIES).where(tried).values(attempts=0, due=now))


def _locked(connection: Connection, webhook_id: str) -> Row[Any] | None:
    """Return the endpoint's row, which no other process changes until this transaction ends.

    Whoever queues events refers to the row and need not wait.
    """
    query = select(WEBHOOKS).where(_W.id == webhook_id, _W.deleted.is_(None))
    return connection.execute(query.with_for_update(key_share=True)).first()


def _change(connection: Connection, lease: DeliveryLease, **values: Any) -> None:
    held = and_(_D.id == lease.id, _D.leased == lease.until)
    connection.execute(update(WEBHOOK_DELIVERIES).where(held).values(leased=None, **values))


def _free(now: datetime | None) -> Any:
    """Select what waits and no process has. `now`: what is due by then; None: whatever its time."""
    over = _D.leased.is_(None) if now is None else _D.leased.is_(None) | (_D.leased <= now)
    waits = and_(_D.state == WAITING, over)
    return waits if now is None else and_(waits, _D.due <= now)


def _open(now: datetime) -> Any:
    return and_(_W.state == ACTIVE, _W.due.is_(None) | (_W.due <= now))


def _is_open(webhook: Row[Any], now: datetime) -> bool:
    return webhook.state == ACTIVE and (webhook.due is None or webhook.due <= now)
