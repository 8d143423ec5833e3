"""Connections to PostgreSQL that end soon when the server falls silent.

TCP does not tell a server that is stopped from one that thinks. So a worker asks the server several times a
second, on a connection of its own, whether it is there (`Pulse`). While it is not, every other connection
fails at once, and none waits longer than that takes to notice.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from typing import Any

import psycopg
import structlog
from psycopg.abc import RV, PQGen
from psycopg.pq import TransactionStatus
from sqlalchemy import Engine, event

_EVERY = 0.2  # seconds between two questions whether the server is there
_PATIENCE = 0.5  # seconds without an answer after which it is not
_TICK = 0.05  # seconds between two looks of a waiting statement whether it may go on waiting
_log = structlog.get_logger()


class BoundedConnection(psycopg.Connection[Any]):
    """A connection on which a statement fails after `seconds` without a word, or while not `alive()`."""

    seconds: float = math.inf
    alive: Callable[[], bool] = staticmethod(lambda: True)

    def wait(self, gen: PQGen[RV], interval: float = _TICK, timeout: float | None = None) -> RV:
        """Wait for the server as psycopg does, but no longer than allowed. Raises OperationalError."""
        if not self.alive() and self.pgconn.transaction_status == TransactionStatus.IDLE:
            self._give_up()
        return super().wait(self._bounded(gen), interval, timeout)

    def _bounded(self, gen: PQGen[RV]) -> PQGen[RV]:
        try:
            wanted, end = next(gen), time.monotonic() + self.seconds
            while True:
                ready = yield wanted
                if ready:
                    end = time.monotonic() + self.seconds
                elif not self.alive() or time.monotonic() >= end:
                    self._give_up()
                wanted = gen.send(ready)
        except StopIteration as ended:
            found: RV = ended.value
            return found

    def _give_up(self) -> None:
        self.close()  # its next answer would be that to another question
        raise psycopg.OperationalError("the server does not answer")


class Pulse:
    """Asks a PostgreSQL server again and again whether it is there, in a thread of its own."""

    def __init__(self, arguments: dict[str, Any]) -> None:
        self._arguments = arguments
        self._connection: BoundedConnection | None = None
        self._alive = True
        self._asking = threading.Lock()

    def alive(self) -> bool:
        """Say whether the server answered when it was asked last."""
        return self._alive

    def alive_now(self) -> bool:
        """Say whether the server answers; ask it if it did when it was asked last."""
        if self._alive:
            with self._asking:
                if self._alive:  # still, after the question of another thread
                    self._ask()
        return self._alive

    def watch(self) -> None:
        """Begin to ask."""
        threading.Thread(target=self._watch, name="database-pulse", daemon=True).start()

    def _watch(self) -> None:
        while True:
            if not self.alive_now():
                self._ask()  # no other thread does, so that none waits for an attempt to connect
            time.sleep(_EVERY)

    def _ask(self) -> None:
        try:
            if self._connection is None:
                self._connection = BoundedConnection.connect(**self._arguments, autocommit=True)
                self._connection.seconds = _PATIENCE
            self._connection.execute("SELECT 1")
            alive = True
        except psycopg.Error:
            if self._connection is not None:
                self._connection.close()
            self._connection, alive = None, False
        if alive != self._alive:
            _log.warning("the database answers again" if alive else "the database does not answer")
        self._alive = alive


def bound(engine: Engine, arguments: dict[str, Any], seconds: float) -> None:
    """Let no statement of this engine wait longer than `seconds`, nor while the server is not there."""
    _, more = engine.dialect.create_connect_args(engine.url)
    pulse = Pulse({**more, **arguments})

    @event.listens_for(engine, "do_connect")
    def connect(dialect: Any, record: Any, args: Any, options: dict[str, Any]) -> BoundedConnection:
        if not pulse.alive_now():  # nothing else ends an attempt to connect in less than two seconds
            raise psycopg.OperationalError("the server does not answer")
        made = BoundedConnection.connect(*args, **options)
        made.seconds, made.alive = seconds, pulse.alive
        return made

    pulse.watch()
