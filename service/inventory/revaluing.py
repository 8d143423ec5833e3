"""Value the stock again: on demand, after the promotion of a price model, and on a schedule.

A thread of each worker looks for a revaluation to work on. It goes through the items in the order of their
stock numbers, in chunks. The values of a chunk, their history, the feed and how far the revaluation came are
one transaction, under a lease: a process that is killed loses no more than the chunk it was at, and another
goes on from there. The thread values a few items at a time and rests after them, so that callers are served.

Every chunk is valued by the price model that is current then, as of the day that it is then. If one is
promoted meanwhile, its own revaluation passes over what it has valued already.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import structlog
from sqlalchemy import Connection, Engine, Row, func, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from models.costs import REVALUE_AT_A_TIME, REVALUE_AT_ONCE, REVALUE_LOOK_SECONDS, REVALUE_REST
from models.valuation.valuer import Valuer
from service.context import Context
from service.db.engine import reading, writing
from service.db.item_tables import ITEMS
from service.errors import NoBundleError
from service.inventory import feed, revaluations
from service.inventory.listing import items_where
from service.inventory.moves import Moves
from service.inventory.records import item_in
from service.inventory.revaluations import EVERYTHING, FAILED, PRICE_MODEL, SCHEDULE, RevaluationLease
from service.inventory.valuing import Failed, Valued, found_in, keep, value_rows, value_stands
from service.server.bundle_cache import BundleCache
from service.server.live_bundle import LiveBundle
from service.server.logs import frames_of
from service.server.threads.background import paused
from service.server.threads.turns import VALUING

_log = structlog.get_logger()


class _LostError(Exception):
    """Another process has the revaluation now, so the transaction is rolled back."""


@dataclass(frozen=True)
class RevaluationContext:
    """The parts of an application that a revaluation needs. `every`: of the schedule; None: there is none."""

    engine: Engine
    live: LiveBundle
    cache: BundleCache
    every: timedelta | None = None

    @classmethod
    def of(cls, context: Context) -> RevaluationContext:
        """Take them from a running application."""
        hours = context.settings.revalue_every
        every = timedelta(hours=hours) if hours else None
        return cls(context.engine, context.live, context.bundle_cache, every)


def watch(stock: RevaluationContext) -> None:
    """Begin what is due and work on it, again and again, in a thread of its own.

    The process waits at its end for the chunk that is under way.
    """
    threading.Thread(target=_watch, args=(stock,), name="revaluation").start()


def _watch(stock: RevaluationContext) -> None:
    pause = random.uniform(0, REVALUE_LOOK_SECONDS)  # workers begin at moments of their own
    while paused(pause):
        pause = REVALUE_LOOK_SECONDS
        try:
            begin_due(stock)
            run(stock)
        except (DBAPIError, PoolTimeoutError, NoBundleError) as error:
            _log.warning("no revaluation", error=type(error).__name__)


def begin_due(stock: RevaluationContext) -> str | None:
    """Begin a revaluation if the price model is new, or if it is time; return its id."""
    version = stock.live.version
    if version is None:
        return None
    with reading(stock.engine) as connection:
        if not _reason(connection, stock, version):
            return None
    with writing(stock.engine) as connection:
        feed.lock(connection)  # of all workers that saw it, the first begins it
        reason = _reason(connection, stock, version)
        if not reason:
            return None
        return revaluations.begin(connection, EVERYTHING, reason, now_in_utc(), price_model=version)


def _reason(connection: Connection, stock: RevaluationContext, version: str) -> str | None:
    if revaluations.wanted_for(connection, version):
        return PRICE_MODEL
    timely = stock.every is not None and revaluations.is_time(connection, stock.every, now_in_utc())
    return SCHEDULE if timely else None


def run(stock: RevaluationContext, rest: float = REVALUE_REST) -> bool:
    """Work on the oldest revaluation until it is done or the process ends; return False if there is none.

    `rest`: how long to rest after a few items, as a share of the processor time that they took.
    """
    version = stock.live.version
    if version is None:
        return False
    with reading(stock.engine) as connection:
        row = revaluations.waiting(connection, now_in_utc())
    if row is None:
        return False
    with writing(stock.engine) as connection:
        lease = revaluations.claim(connection, row, now_in_utc())
        if lease is None:
            return False
        if not lease.reached:
            chosen = items_where(lease.filters, now_in_utc().date()).order_by(None).subquery()
            total = connection.execute(select(func.count()).select_from(chosen)).scalar_one()
            revaluations.start(connection, lease, total, version)
    _Work(stock, lease, rest).go()
    return True


class _Work:
    """The work on one revaluation, under a lease that each chunk renews."""

    def __init__(self, stock: RevaluationContext, lease: RevaluationLease, rest: float) -> None:
        self._stock, self._lease, self._rest = stock, lease, rest
        self._moves: Moves | None = None
        self._version = ""

    def go(self) -> None:
        """Go on until nothing is left, the process ends, or another process has the revaluation."""
        try:
            while self._went_on():
                pass
        except _LostError:
            _log.warning("revaluation lost", id=self._lease.id)
        except (DBAPIError, PoolTimeoutError, NoBundleError):
            raise
        except Exception as error:  # what cannot be valued must not keep back every later revaluation
            at = frames_of(error.__traceback__)
            _log.error("revaluation failed", id=self._lease.id, error=type(error).__name__, at=at)
            with writing(self._stock.engine) as connection:
                revaluations.finish(connection, self._lease, now_in_utc(), FAILED)

    def _went_on(self) -> bool:
        """Value a chunk; return False if nothing is left to do here."""
        if not self._chunk():
            with writing(self._stock.engine) as connection:
                revaluations.finish(connection, self._lease, now_in_utc())
            return False
        if threading.main_thread().is_alive():
            return True
        with writing(self._stock.engine) as connection:
            revaluations.release(connection, self._lease)
        return False

    def _chunk(self) -> bool:
        """Value the next items and keep all of it at once; return False if there are none."""
        today, valuer = now_in_utc().date(), self._valuer()
        rows = self._next(today)
        if not rows:
            return False
        fresh = [row for row in rows if not _stands(row, valuer, today)]
        moves = self._moves_to(valuer)
        outcomes = [
            one
            for start in range(0, len(fresh), REVALUE_AT_A_TIME)
            for one in self._valued(valuer, moves, fresh[start : start + REVALUE_AT_A_TIME], today)
        ]
        self._keep(outcomes, moves, len(rows), rows[-1].stock_number)
        return True

    def _valued(
        self, valuer: Valuer, moves: Moves, rows: Sequence[Row[Any]], today: date
    ) -> Sequence[Valued | Failed]:
        """Value a few items, split their moves, and rest, so that a caller waits for these few at most."""
        began = time.thread_time()
        with VALUING:
            outcomes = value_rows(valuer, rows, today)
            with reading(self._stock.engine) as connection:
                moves.prepare(connection, found_in(outcomes))
        time.sleep((time.thread_time() - began) * self._rest)
        return outcomes

    def _keep(self, outcomes: Sequence[Valued | Failed], moves: Moves, done: int, reached: str) -> None:
        """Keep a chunk and how far it reaches, in one transaction. Raises _LostError."""
        now, failed = now_in_utc(), sum(isinstance(one, Failed) for one in outcomes)
        with writing(self._stock.engine) as connection:
            renewed = revaluations.advance(connection, self._lease, now, reached, done=done, failed=failed)
            if renewed is None:
                raise _LostError
            keep(connection, outcomes, now, self._lease.id, moves=moves)
        self._lease = renewed

    def _valuer(self) -> Valuer:
        self._stock.live.look()
        return self._stock.live.bundle().valuer

    def _next(self, today: date) -> Sequence[Row[Any]]:
        chosen = items_where(self._lease.filters, today).limit(REVALUE_AT_ONCE)
        with reading(self._stock.engine) as connection:
            return connection.execute(chosen.where(ITEMS.c.stock_number > self._lease.reached)).all()

    def _moves_to(self, valuer: Valuer) -> Moves:
        """Return what splits moves to this price model's values; it has read earlier price models already."""
        if self._moves is None or self._version != valuer.version:
            self._moves, self._version = Moves.of(valuer, self._stock.live, self._stock.cache), valuer.version
        return self._moves


def _stands(row: Row[Any], valuer: Valuer, today: date) -> bool:
    if (row.valued_on, row.price_model) != (today, valuer.version):
        return False
    return value_stands(row, item_in(row), valuer, today)


def now_in_utc() -> datetime:
    """Return the present moment."""
    return datetime.now(UTC)
