"""Delete what has outlived its time: claims of Idempotency-Keys, answers under them, secrets, sessions.

Rows go in small transactions, so that no request waits long. One process at a time prunes: SQLite has one
writer anyway, and PostgreSQL gives a lock that ends with the transaction.
"""

import random
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import structlog
from sqlalchemy import Column, Connection, Engine, delete, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from models.costs import EXPIRED_SECRET_DAYS, IDEMPOTENCY_HOURS, SESSION_HOURS
from service.db.engine import writing
from service.db.item_tables import WEBHOOK_SECRETS
from service.db.request_tables import DESK_SESSIONS
from service.db.tables import ANSWERS, CLAIMS, SECRETS
from service.errors import ServiceError

LIFETIMES: Mapping[str, tuple[Column[Any], timedelta]] = {
    "claims of Idempotency-Keys": (CLAIMS.c.created, timedelta(hours=IDEMPOTENCY_HOURS)),
    "answers under them": (ANSWERS.c.created, timedelta(hours=IDEMPOTENCY_HOURS)),
    "expired secrets": (SECRETS.c.expires, timedelta(days=EXPIRED_SECRET_DAYS)),
    "expired secrets of webhooks": (WEBHOOK_SECRETS.c.expires, timedelta(0)),
    "sessions of the desk": (DESK_SESSIONS.c.created, timedelta(hours=SESSION_HOURS)),
}
_AT_ONCE = 1_000
_EVERY_SECONDS = 3600.0
# The lock of the process that prunes; its number was chosen at random.
_TURN = text("SELECT pg_try_advisory_xact_lock(7302915846)")
_log = structlog.get_logger()


def prune(engine: Engine, now: datetime | None = None) -> dict[str, int]:
    """Delete all that has outlived its time; return how many rows of each kind."""
    moment = now or datetime.now(UTC)
    return {name: _pruned(engine, column, moment - life) for name, (column, life) in LIFETIMES.items()}


def _pruned(engine: Engine, column: Column[Any], before: datetime) -> int:
    count = 0
    while True:
        with writing(engine) as connection:
            found = _some(connection, column, before) if _is_my_turn(connection) else 0
        count += found
        if found < _AT_ONCE:
            return count


def _is_my_turn(connection: Connection) -> bool:
    return connection.dialect.name != "postgresql" or bool(connection.execute(_TURN).scalar())


def _some(connection: Connection, column: Column[Any], before: datetime) -> int:
    """Delete about `_AT_ONCE` of the rows, the oldest first."""
    oldest = select(column).where(column < before).order_by(column).offset(_AT_ONCE - 1).limit(1)
    until = connection.execute(oldest).scalar()
    old = column < before if until is None else column <= until
    return connection.execute(delete(column.table).where(old)).rowcount


def watch(engine: Engine, *more: Callable[[], Any]) -> None:
    """Prune every hour, in a thread that delays no request; workers begin at moments of their own.

    `more`: what else to call each time.
    """
    threading.Thread(target=_watch, args=(engine, more), name="pruning", daemon=True).start()


def _watch(engine: Engine, more: Sequence[Callable[[], Any]]) -> None:
    time.sleep(random.uniform(1, _EVERY_SECONDS))
    while True:
        try:
            prune(engine)
            for run in more:
                run()
        except (DBAPIError, PoolTimeoutError, ServiceError) as error:
            _log.warning("not pruned", error=type(error).__name__)
        time.sleep(_EVERY_SECONDS)
