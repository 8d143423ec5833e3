"""Counts of requests that several servers share, in a store that all of them reach (redis://…).

A window begins with a name's first request, as in `service.server.counters`; the store ends it and counts
exactly, whichever server asks. Two things differ: a refused request is counted too, which changes nothing for
requests that count one each, and of amounts that arrive at the same moment one that would have fitted can be
refused. Names reach the store as digests under the secret of the service, so that it holds no address.

While the store does not answer, each server counts for itself, in its own memory: callers are then limited by
each server, not let through, and no request waits for the store but one every few seconds.
"""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Callable
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

import structlog

from models.costs import COUNTERS_PAUSE, COUNTERS_SECONDS
from service.server.counters import Counting, Shared, Taken

if TYPE_CHECKING:
    from limits.storage import Storage

T = TypeVar("T")
_log = structlog.get_logger()


class CounterStore:
    """The store of one installation's counts. `problem`: what is wrong with it now, None if nothing is."""

    def __init__(self, address: str, secret: str) -> None:
        self._address = address
        self._key = hashlib.sha256(f"counts of requests {secret}".encode()).digest()
        self._asked_again = -math.inf
        self.problem: str | None = None

    @cached_property
    def _storage(self) -> Storage:
        from limits.storage import RedisStorage
        from redis.backoff import NoBackoff
        from redis.retry import Retry

        options: dict[str, Any] = {
            "socket_timeout": COUNTERS_SECONDS,
            "socket_connect_timeout": COUNTERS_SECONDS,
            "retry": Retry(NoBackoff(), 1),  # a connection that was closed while idle is no outage
        }
        return RedisStorage(self._address, key_prefix="bookmatch", wrap_exceptions=True, **options)

    def ask(self, question: Callable[[Storage], T]) -> T | None:
        """Ask the store; None if it does not answer, or did not a moment ago."""
        from limits.errors import StorageError

        if time.monotonic() < self._asked_again:
            return None
        try:
            found = question(self._storage)
        except StorageError as error:
            self._asked_again = time.monotonic() + COUNTERS_PAUSE
            if self.problem is None:
                _log.warning("shared counts away", error=type(error.storage_error).__name__)
            self.problem = "the shared counts do not answer: each server counts for itself"
            return None
        if self.problem is not None:
            _log.info("shared counts back")
            self.problem = None
        return found

    def digest(self, name: str) -> str:
        """Return what stands for a name in the store: the same on all servers, and nothing to others."""
        return hashlib.blake2b(name.encode(), digest_size=16, key=self._key).hexdigest()


class ServersCounters:
    """Counts of requests by name, shared by all servers. `alone`: this server's own, for an absent store."""

    def __init__(self, store: CounterStore, kind: str, alone: Counting) -> None:
        self._store, self._kind, self._alone = store, kind, alone

    def take(self, name: str, quota: int, window: int, amount: int = 1) -> Taken:
        """Count one request of this name, or an `amount`, unless that is more than its quota in a window."""
        key = self._key_of(name)

        def taken(storage: Storage) -> Taken:
            too_much = amount > 1 and storage.get(key) + amount > quota
            count = quota + 1 if too_much else storage.incr(key, window, amount)
            seconds = max(1, math.ceil(storage.get_expiry(key) - time.time()))
            return Taken(count <= quota, max(0, quota - count), seconds)

        return self._store.ask(taken) or self._alone.take(name, quota, window, amount)

    def count(self, name: str, window: int) -> int:
        """Return how many requests of this name were counted in its present window; this counts none."""
        found = self._store.ask(lambda storage: storage.get(self._key_of(name)))
        return self._alone.count(name, window) if found is None else found

    def _key_of(self, name: str) -> str:
        return self._store.digest(f"{self._kind} {name}")


def of_all_servers(store: CounterStore, alone: Shared) -> Shared:
    """Return the counters of keys and addresses in this store."""
    return Shared(
        ServersCounters(store, "key", alone.keys), ServersCounters(store, "address", alone.addresses)
    )
