"""Look for deliveries that are due, beside the requests.

The sender is loaded when the first is due: a service without webhooks spares the memory of an HTTP client.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from datetime import UTC, datetime

import structlog
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from models.costs import WEBHOOK_EVERY_SECONDS
from service.server.threads.background import paused
from service.settings import Settings
from service.webhooks import leases

_log = structlog.get_logger()


def watch(engine: Engine, settings: Settings, counted: Callable[[str], None]) -> None:
    """Deliver what is due, again and again, in threads that delay no request; `counted` is told of each end.

    The process waits at its end for the attempts that are under way.
    """
    threading.Thread(target=_watch, args=(engine, settings, counted), name="webhooks").start()


def _watch(engine: Engine, settings: Settings, counted: Callable[[str], None]) -> None:
    under_way: dict[str, threading.Thread] = {}
    pause = random.uniform(0, WEBHOOK_EVERY_SECONDS)  # workers begin at moments of their own
    while paused(pause):
        pause = WEBHOOK_EVERY_SECONDS
        under_way = {name: thread for name, thread in under_way.items() if thread.is_alive()}
        try:
            for webhook_id in leases.ready(engine, datetime.now(UTC)):
                if webhook_id not in under_way:
                    under_way[webhook_id] = _begin(engine, settings, counted, webhook_id)
        except (DBAPIError, PoolTimeoutError) as error:
            _log.warning("no webhooks sent", error=type(error).__name__)


def _begin(
    engine: Engine, settings: Settings, counted: Callable[[str], None], webhook_id: str
) -> threading.Thread:
    from service.webhooks.sender import Sender

    sender = Sender(engine, settings, counted)
    thread = threading.Thread(target=sender.work_off, args=(webhook_id,), name="webhook")
    thread.start()
    return thread
