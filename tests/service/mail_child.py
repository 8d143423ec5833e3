"""Processes that send e-mails and can be told to kill themselves at a step; a test looks at what is left."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from smtplib import SMTP
from typing import Any

import service.db.postgresql  # noqa: F401  # before the fork, so that each process begins at once
from service.db.engine import open_engine
from service.mail import leases, sender
from service.mail.delivery import files
from service.server import logs
from service.settings import Settings

# Each step of a sender: the object and the name of the function that does it.
STEPS: dict[str, tuple[Any, str]] = {
    "claim": (leases, "claim"),
    "join": (leases, "joined"),
    "hand": (leases, "hand"),
    "data": (SMTP, "data"),
    "finish": (leases, "finish"),  # inside the transaction, which is not committed yet
    "sent": (sender.Attempt, "sent"),
    "write": (files, "write"),
    "rename": (Path, "rename"),
}


def send(asked: dict[str, Any]) -> None:
    """Send what is due. `point`: "before" or "after" and a step, at which the process kills itself."""
    when, _, step = asked["point"].partition(" ")
    if step:
        owner, name = STEPS[step]
        setattr(owner, name, deadly(getattr(owner, name), when))
    settings = Settings(**{**asked["settings"], "store": Path(asked["settings"]["store"])})
    engine = open_engine(settings.database, busy_seconds=20)
    leases.due(engine, sender.now_in_utc())  # it has connected before it says that it is ready
    print("ready", os.getpid(), flush=True)
    sender.send_due(engine, settings)


def deadly(step: Callable[..., Any], when: str, time: int = 1) -> Callable[..., Any]:
    """Return the step as one that kills its process before or after it, the first time or a later one."""
    left = [None] * time

    def dying(*args: Any, **more: Any) -> Any:
        left.pop()
        if when == "after" or left:
            found = step(*args, **more)
        if not left:
            os.kill(os.getpid(), signal.SIGKILL)
        return found

    return dying


def main() -> None:
    """Begin a process for each line of standard input, and say how it ended."""
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                send(json.loads(line))
            finally:
                os._exit(0)
        print("ended", os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)


if __name__ == "__main__":
    logs.configure("critical")
    main()
