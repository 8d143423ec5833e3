"""Leases: one process has an e-mail at a time, and each step on its way is committed before the next begins.

    queued ──claim──▶ leased ──hand──▶ handed ──finish──▶ sent
       ▲                 │                │
       └────postpone─────┴───(refused)────┴──▶ parked

A lease that is over can be claimed again, but not once the e-mail was handed over: then nobody knows whether
it went, and only a person sends it again.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Connection, Engine, Row, and_, delete, literal, select, update

from models.costs import MAIL_LEASE_SECONDS, MAIL_PAUSES, MAILS_AT_ONCE
from service.db.engine import reading, writing
from service.db.request_tables import CONTACTS, OUTBOX, REQUESTS, SPECIALIST

_LEASE = timedelta(seconds=MAIL_LEASE_SECONDS)


class Lease(NamedTuple):
    """The lease of one e-mail. `until` also names it: no two leases of an e-mail end at the same moment."""

    id: int
    until: datetime
    attempts: int


def due(engine: Engine, now: datetime) -> list[int]:
    """Return the ids of e-mails that can be claimed, the oldest first."""
    query = select(OUTBOX.c.id).where(_free(now)).order_by(OUTBOX.c.due, OUTBOX.c.id).limit(MAILS_AT_ONCE)
    with reading(engine) as connection:
        return list(connection.execute(query).scalars())


def claim(engine: Engine, email_id: int, now: datetime) -> Lease | None:
    """Take an e-mail for this process; None if another one has it, or it is not due any more."""
    change = (
        update(OUTBOX)
        .where(OUTBOX.c.id == email_id, _free(now))
        .values(leased=now + _LEASE, attempts=OUTBOX.c.attempts + 1)
        .returning(OUTBOX.c.attempts)
    )
    with writing(engine) as connection:
        attempts = connection.execute(change).scalar()
    return None if attempts is None else Lease(email_id, now + _LEASE, attempts)


def joined(engine: Engine, email_id: int) -> Row[Any] | None:
    """Return the e-mail with name, address, private link and language of the owner; None if erased.

    `reply`: the specialist's own word for e-mails with this text, as JSON.
    """
    owner = REQUESTS.c.language, CONTACTS.c.name.label("owner"), CONTACTS.c.email, CONTACTS.c.link
    own_word = SPECIALIST.c.name == literal("reply_") + OUTBOX.c.template
    query = (
        select(OUTBOX, *owner, SPECIALIST.c.value.label("reply"))
        .join(REQUESTS, REQUESTS.c.id == OUTBOX.c.request_id)
        .join(CONTACTS, CONTACTS.c.request_id == OUTBOX.c.request_id)
        .outerjoin(SPECIALIST, own_word)
        .where(OUTBOX.c.id == email_id)
    )
    with reading(engine) as connection:
        return connection.execute(query).first()


def drop(engine: Engine, lease: Lease) -> None:
    """Delete an e-mail that can reach nobody any more."""
    with writing(engine) as connection:
        connection.execute(delete(OUTBOX).where(_held(lease), OUTBOX.c.handed.is_(None)))


def hand(engine: Engine, lease: Lease, now: datetime) -> Lease | None:
    """Record that the e-mail is being handed over, and renew the lease; None if it was lost meanwhile."""
    held = and_(_held(lease), OUTBOX.c.handed.is_(None), OUTBOX.c.parked.is_(None))
    with writing(engine) as connection:
        done = connection.execute(update(OUTBOX).where(held).values(handed=now, leased=now + _LEASE))
    return lease._replace(until=now + _LEASE) if done.rowcount else None


def finish(connection: Connection, lease: Lease, now: datetime) -> bool:
    """Record in an open transaction that the e-mail was sent; False if the lease was lost meanwhile."""
    done = update(OUTBOX).where(_held(lease), OUTBOX.c.sent.is_(None))
    values = {"sent": now, "leased": None, "failure": None, "context": "{}"}
    return bool(connection.execute(done.values(values)).rowcount)


def postpone(engine: Engine, lease: Lease, now: datetime, why: str) -> bool:
    """Let the e-mail wait for its next attempt, or park it after the last one; say whether it waits."""
    if lease.attempts > len(MAIL_PAUSES):
        park(engine, lease, now, f"given up after {lease.attempts} attempts: {why}")
        return False
    pause = timedelta(minutes=MAIL_PAUSES[lease.attempts - 1])
    _change(engine, lease, due=now + pause, handed=None, failure=why)
    return True


def park(engine: Engine, lease: Lease, now: datetime, why: str) -> None:
    """Leave the e-mail to a person."""
    _change(engine, lease, parked=now, handed=None, failure=why)


def doubt(engine: Engine, lease: Lease, why: str) -> None:
    """Record at once why nobody knows whether the e-mail went."""
    _change(engine, lease, failure=why)


def _change(engine: Engine, lease: Lease, **values: Any) -> None:
    with writing(engine) as connection:
        connection.execute(update(OUTBOX).where(_held(lease)).values(leased=None, **values))


def _held(lease: Lease) -> Any:
    return and_(OUTBOX.c.id == lease.id, OUTBOX.c.leased == lease.until)


def _free(now: datetime) -> Any:
    waits = and_(OUTBOX.c.sent.is_(None), OUTBOX.c.handed.is_(None), OUTBOX.c.parked.is_(None))
    return and_(waits, OUTBOX.c.due <= now, OUTBOX.c.leased.is_(None) | (OUTBOX.c.leased <= now))
