"""Processes that send webhooks and can be told to kill themselves at a step; a test looks at what is left."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from typing import Any

from dying import deadly, run_each, settings_of

import service.db.postgresql  # noqa: F401  # before the fork, so that each process begins at once
from service.db.engine import open_engine
from service.server import logs
from service.webhooks import leases, posting
from service.webhooks.sender import Sender, now_in_utc

# Each step of a sender: the object and the name of the function that does it.
STEPS: dict[str, tuple[Any, str]] = {
    "claim": (leases, "claim"),
    "route": (posting, "route_to"),
    "post": (posting, "post"),
    "deliver": (leases, "delivered"),
    "change": (leases, "_change"),  # inside the transaction, which is not committed yet
}


def send(asked: dict[str, Any]) -> None:
    """Send what is due. `point`: "before" or "after" and a step, at which the process kills itself."""
    when, _, step = asked["point"].partition(" ")
    if step:
        owner, name = STEPS[step]
        made = _deadly_later if step == "post" else deadly
        setattr(owner, name, made(getattr(owner, name), when))
    settings = settings_of(asked)
    engine = open_engine(settings.database, busy_seconds=20)
    leases.ready(engine, now_in_utc())  # it has connected before it says that it is ready
    print("ready", os.getpid(), flush=True)
    Sender(engine, settings).send_due()


def _deadly_later(step: Callable[..., Any], when: str) -> Callable[..., Any]:
    async def dying(*args: Any, **more: Any) -> Any:
        found = await step(*args, **more) if when == "after" else None
        os.kill(os.getpid(), signal.SIGKILL)
        return found

    return dying


if __name__ == "__main__":
    logs.configure("critical")
    run_each(send)
