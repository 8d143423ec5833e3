"""Processes that issue a report and kill themselves at a step; a test looks at what is left."""

from __future__ import annotations

from typing import Any

from asking import Caller
from dying import deadly, run_each, settings_of
from fakes import read_fake

import service.db.postgresql  # noqa: F401  # before the fork, so that each process begins at once
from service.api.reports import issuing, records
from service.api.requests import records as request_records
from service.api.valuations import records as valuations
from service.app import create_app
from service.blobs.store import Blobs
from service.http import idempotency
from service.mail import outbox

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
    app = create_app(settings_of(asked), read_model=read_fake)
    Caller(app, asked["key"]).post(asked["path"], asked["body"], **{"Idempotency-Key": "issued once"})


if __name__ == "__main__":
    run_each(issue)
