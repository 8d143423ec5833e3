"""Revaluations in the database: who began which, and how far it has come.

    waiting ──claim──▶ running ──advance──▶ … ──finish──▶ done
                          ▲        │
                          └─lease──┘ that is over: any process goes on from `reached`

One is worked on at a time, the oldest first, and by one process at a time. Each step is a conditional UPDATE
in the transaction that keeps the values of a chunk, so a step that is lost takes its values with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple

import orjson
from sqlalchemy import ColumnElement, Connection, Row, and_, bindparam, func, insert, or_, select, update

from models.costs import REVALUE_LEASE_SECONDS
from service.db.ids import new_id
from service.db.item_tables import ITEMS, REVALUATIONS
from service.errors import UnknownRecordError
from service.inventory import feed
from service.inventory.listing import Filters
from service.inventory.records import dumped

WAITING, RUNNING, DONE, FAILED = "waiting", "running", "done", "failed"
STATES = {
    WAITING: "its turn has not come",
    RUNNING: "it is being worked on",
    DONE: "every item was gone through",
    FAILED: "it broke by a fault of the program, which the log names; items after that keep their values",
}
ASKED, PRICE_MODEL, SCHEDULE = "asked", "price_model", "schedule"
REASONS = {
    ASKED: "somebody asked for it",
    PRICE_MODEL: "a price model was promoted",
    SCHEDULE: "it was time, by BOOKMATCH_REVALUE_EVERY",
}
EVERYTHING: Filters = {}

_LEASE = timedelta(seconds=REVALUE_LEASE_SECONDS)
_TICK = timedelta(microseconds=1)
_OPEN = REVALUATIONS.c.state.in_((WAITING, RUNNING))
_THERE = ITEMS.c.deleted.is_(None)
_BY_AGE = REVALUATIONS.c.created, REVALUATIONS.c.id
_FIND = select(REVALUATIONS).where(REVALUATIONS.c.id == bindparam("wanted"))


class RevaluationLease(NamedTuple):
    """The lease of one revaluation. `until` also names it: no two leases of one end at the same moment."""

    id: str
    until: datetime
    filters: Filters
    reached: str


def begin(
    connection: Connection,
    filters: Filters,
    reason: str,
    now: datetime,
    *,
    key_id: str | None = None,
    price_model: str | None = None,
) -> str:
    """Add a revaluation that waits for its turn, and return its id."""
    feed.lock(connection)  # of two that begin at once each gets a moment of its own, by which pages go on
    newest = connection.execute(select(func.max(REVALUATIONS.c.created))).scalar()
    revaluation = new_id("rev")
    row = {
        "id": revaluation,
        "key_id": key_id,
        "created": max(now, newest + _TICK) if newest else now,
        "reason": reason,
        "filter": dumped(filters),
        "state": WAITING,
        "valued_on": now.date(),
        "price_model": price_model,
    }
    connection.execute(insert(REVALUATIONS).values(row))
    return revaluation


def find(connection: Connection, revaluation: str) -> Row[Any]:
    """Return the row of a revaluation. Raises UnknownRecordError."""
    row = connection.execute(_FIND, {"wanted": revaluation}).first()
    if row is None:
        raise UnknownRecordError(f"There is no revaluation {revaluation[:40]!r}.")
    return row


def entries(connection: Connection, before: datetime | None, limit: int) -> Sequence[Row[Any]]:
    """Return up to `limit` revaluations that began before a moment, the newest first."""
    query = select(REVALUATIONS).order_by(REVALUATIONS.c.created.desc()).limit(limit)
    if before is not None:
        query = query.where(REVALUATIONS.c.created < before)
    return connection.execute(query).all()


def wanted_for(connection: Connection, version: str) -> bool:
    """Say whether a price model is new: not every item has its value, and no revaluation began for it."""
    newest = (
        select(REVALUATIONS.c.price_model)
        .where(REVALUATIONS.c.reason == PRICE_MODEL)
        .order_by(REVALUATIONS.c.created.desc())
        .limit(1)
    )
    if connection.execute(newest).scalar() == version:
        return False
    other = or_(ITEMS.c.price_model != version, ITEMS.c.price_model.is_(None))
    return connection.execute(select(ITEMS.c.stock_number).where(_THERE, other).limit(1)).first() is not None


def is_time(connection: Connection, every: timedelta, now: datetime) -> bool:
    """Say whether the schedule wants a revaluation: so long ago the last one of everything began.

    Before the first one, the time counts from the oldest item.
    """
    of_all = REVALUATIONS.c.filter == dumped(EVERYTHING)
    last = connection.execute(select(func.max(REVALUATIONS.c.created)).where(of_all)).scalar()
    last = last or connection.execute(select(func.min(ITEMS.c.created)).where(_THERE)).scalar()
    return last is not None and last <= now - every


def waiting(connection: Connection, now: datetime) -> Row[Any] | None:
    """Return the oldest revaluation that is not done; None if there is none, or a process has it."""
    oldest = select(REVALUATIONS).where(_OPEN).order_by(*_BY_AGE).limit(1)
    row = connection.execute(oldest).first()
    return None if row is None or (row.leased is not None and row.leased > now) else row


def claim(connection: Connection, row: Row[Any], now: datetime) -> RevaluationLease | None:
    """Take a revaluation that waits; None if another process was first."""
    free = or_(REVALUATIONS.c.leased.is_(None), REVALUATIONS.c.leased <= now)
    values = {"state": RUNNING, "leased": now + _LEASE, "started": row.started or now}
    change = update(REVALUATIONS).where(REVALUATIONS.c.id == row.id, _OPEN, free).values(values)
    reached = connection.execute(change.returning(REVALUATIONS.c.reached)).scalar()
    if reached is None:
        return None
    return RevaluationLease(row.id, now + _LEASE, orjson.loads(row.filter), reached)


def start(connection: Connection, lease: RevaluationLease, total: int, version: str) -> None:
    """Record how many items there are to value, and by which price model, once."""
    values = {"total": total, "price_model": func.coalesce(REVALUATIONS.c.price_model, version)}
    first = and_(_held(lease), REVALUATIONS.c.reached == "", REVALUATIONS.c.done == 0)
    connection.execute(update(REVALUATIONS).where(first).values(values))


def advance(
    connection: Connection, lease: RevaluationLease, now: datetime, reached: str, *, done: int, failed: int
) -> RevaluationLease | None:
    """Record a chunk, and renew the lease; None if it was lost: the transaction must not be committed."""
    values = {
        "reached": reached,
        "done": REVALUATIONS.c.done + done,
        "failed": REVALUATIONS.c.failed + failed,
        "leased": now + _LEASE,
        "valued_on": now.date(),
    }
    kept = connection.execute(update(REVALUATIONS).where(_held(lease)).values(values))
    return lease._replace(until=now + _LEASE, reached=reached) if kept.rowcount else None


def finish(connection: Connection, lease: RevaluationLease, now: datetime, state: str = DONE) -> None:
    """Record that no item is left (`DONE`), or that it cannot go on (`FAILED`)."""
    values = {"state": state, "finished": now, "leased": None}
    connection.execute(update(REVALUATIONS).where(_held(lease)).values(values))


def release(connection: Connection, lease: RevaluationLease) -> None:
    """Let another process go on at once."""
    connection.execute(update(REVALUATIONS).where(_held(lease)).values(leased=None))


def _held(lease: RevaluationLease) -> ColumnElement[bool]:
    return and_(
        REVALUATIONS.c.id == lease.id, REVALUATIONS.c.leased == lease.until, REVALUATIONS.c.state == RUNNING
    )
