"""Processes that send e-mails and can be told to kill themselves at a step; a test looks at what is left."""

from __future__ import annotations

import os
from pathlib import Path
from smtplib import SMTP
from typing import Any

from dying import deadly, run_each, settings_of

import service.db.postgresql  # noqa: F401  # before the fork, so that each process begins at once
from service.db.engine import open_engine
from service.mail import leases, sender
from service.mail.delivery import files
from service.server import logs

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
    settings = settings_of(asked)
    engine = open_engine(settings.database, busy_seconds=20)
    leases.due(engine, sender.now_in_utc())  # it has connected before it says that it is ready
    print("ready", os.getpid(), flush=True)
    sender.send_due(engine, settings)


if __name__ == "__main__":
    logs.configure("critical")
    run_each(send)
