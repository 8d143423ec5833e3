"""Processes that issue a report and kill themselves at a step; a test looks at what is left."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

from asking import Caller
from fakes import read_fake
from mail_child import deadly

import service.db.postgresql  # noqa: F401  # before the fork, so that each process begins at once
from service.api.reports import issuing, records
from service.api.requests import records as request_records
from service.api.valuations import records as valuations
from service.app import create_app
from service.blobs.store import Blobs
from service.http import idempotency
from service.mail import outbox
from service.settings import Settings

PDF = b"%PDF-1.7 set by the tests"  # the setting itself has tests of its own, and takes a second
# Each step of issuing: the object and the name of the function that does it. Up to `run_once` they come in
# this order; those after `put` are in one transaction.
STEPS: dict[str, tuple[Any, str]] = {
    "print": (issuing, "run"),
    "put": (Blobs, "put"),
    "valuation": (valuations, "keep"),
    "report": (records, "add"),
    "event": (request_records, "event"),
    "e-mail": (outbox, "queue_for"),
    "claim": (idempotency, "taken"),
    "committed": (issuing, "run_once"),
}


def issue(asked: dict[str, Any]) -> None:
    """Issue a report of a request. `point`: "before" or "after", a step, and which time of it."""
    when, step, time = asked["point"].split()
    issuing.run = lambda *rest, **more: PDF
    owner, name = STEPS[step]
    setattr(owner, name, deadly(getattr(owner, name), when, int(time)))
    app = create_app(
        Settings(**{**asked["settings"], "store": Path(asked["settings"]["store"])}), read_model=read_fake
    )
    Caller(app, asked["key"]).post(asked["path"], asked["body"], **{"Idempotency-Key": "issued once"})


def main() -> None:
    """Begin a process for each line of standard input, and say how it ended."""
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                issue(json.loads(line))
            finally:
                os._exit(0)
        print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)


if __name__ == "__main__":
    main()
