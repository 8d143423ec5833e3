"""Deliver what is due to each endpoint, in a thread for each, so that a slow one holds up no other.

Deliveries are claimed, sent and marked, each step committed before the next. Where a process dies after an
answer, the delivery is sent again with the same id, by which the receiver knows it.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

import structlog
from httpx import AsyncClient
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from models.costs import WEBHOOK_LEASE_SECONDS, WEBHOOK_SECONDS
from service.networks.setting import read_networks
from service.server.logs import frames_of
from service.settings import Settings
from service.webhooks import leases, posting
from service.webhooks.events import DELIVERED
from service.webhooks.leases import PARKED, Batch, DeliveryLease, Reply
from service.webhooks.posting import Resolve
from service.webhooks.signing import headers_of, secret_of

Clock = Callable[[], datetime]
Counted = Callable[[str], None]
_log = structlog.get_logger()


def now_in_utc() -> datetime:
    """Return the present moment."""
    return datetime.now(UTC)


def not_counted(end: str) -> None:
    """Count nothing."""


@dataclass(frozen=True)
class Sender:
    """The sender of one process. `seconds`: the time that an endpoint has; `counted`: told of each end."""

    engine: Engine
    settings: Settings
    counted: Counted = not_counted
    clock: Clock = now_in_utc
    resolve: Resolve = posting.resolved
    seconds: float = WEBHOOK_SECONDS

    def send_due(self) -> Counter[str]:
        """Deliver all that is due now, all endpoints beside each other; return how the attempts ended."""
        ends: Counter[str] = Counter()
        threads = [
            threading.Thread(target=lambda one=one: ends.update(self.work_off(one)))
            for one in leases.ready(self.engine, self.clock())
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return ends

    def work_off(self, webhook_id: str) -> Counter[str]:
        """Deliver what is due at one endpoint, until nothing is or the process ends."""
        ends: Counter[str] = Counter()
        try:
            with asyncio.Runner() as runner, _closing(runner, posting.client(self.seconds)) as by:
                while threading.main_thread().is_alive():
                    batch = leases.claim(self.engine, webhook_id, self.clock())
                    if batch is None:
                        break
                    ends.update(runner.run(self._sent(batch, self._route(batch), by)))
        except (DBAPIError, PoolTimeoutError) as error:
            _log.warning("webhooks wait", id=webhook_id, error=type(error).__name__)
        return ends

    def _route(self, batch: Batch) -> posting.Route:
        begun = time.monotonic()
        route = posting.route_to(batch.url, read_networks(self.settings.webhook_networks), self.resolve)
        if time.monotonic() - begun > WEBHOOK_LEASE_SECONDS / 2:  # another process may have it soon
            route = route._replace(addresses=(), why="its name was not found in time")
        return route

    async def _sent(self, batch: Batch, route: posting.Route, by: AsyncClient) -> list[str]:
        ends = (self._attempt(lease, batch.seeds, route, by) for lease in batch.leases)
        return list(await asyncio.gather(*ends))

    async def _attempt(
        self, lease: DeliveryLease, seeds: Sequence[str], route: posting.Route, by: AsyncClient
    ) -> str:
        secrets = [secret_of(self.settings.secret, seed) for seed in seeds]
        headers = headers_of(secrets, lease.event_id, self.clock(), lease.body)
        try:
            answer = await posting.post(by, route, headers, lease.body, self.seconds)
        except Exception as error:  # one delivery that cannot be sent must not keep back the others
            at = frames_of(error.__traceback__)
            _log.error("webhook", id=lease.webhook_id, error=type(error).__name__, at=at)
            answer = Reply(None, f"it could not be sent: {type(error).__name__}")
        end = self._end(lease, answer)
        self.counted(end)
        log = _log.warning if end == PARKED else _log.info
        log("webhook", id=lease.webhook_id, event_id=lease.event_id, end=end, why=answer.why)
        return end

    def _end(self, lease: DeliveryLease, answer: Reply) -> str:
        if answer.why is None:
            leases.delivered(self.engine, lease, self.clock(), answer)
            return DELIVERED
        return leases.failed(self.engine, lease, self.clock(), answer)


@contextmanager
def _closing(runner: asyncio.Runner, by: AsyncClient) -> Iterator[AsyncClient]:
    try:
        yield by
    finally:
        runner.run(by.aclose())
