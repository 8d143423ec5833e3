"""`python -m service mail`: send the e-mails that are due, and list what came of each.

What loads the web application is imported when a command runs: `serve` must say first where requests are
counted.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

import click
from sqlalchemy import Engine, Row

from models.commands.console import examples, json_option
from service.db.audit import COMMAND
from service.db.engine import check_revision, open_engine, reading, writing
from service.settings import Settings, read_settings


@click.group()
def mail() -> None:
    """Send e-mails that are due, and list them."""


@mail.command(epilog=examples("bookmatch mail send", "bookmatch mail send --again 17"))
@click.option(
    "--again", type=click.IntRange(1), metavar="ID", help="Queue this uncertain or failed one first."
)
def send(again: int | None) -> None:
    """Send what is due, and say what came of it; a running service does so by itself.

    An e-mail of which nobody knows whether it went is sent again only by --again.
    """
    from service.mail import outbox
    from service.mail.sender import send_due
    from service.server import logs

    logs.configure("warning")  # what came of them is printed below
    with _opened() as (settings, engine):
        if again is not None:
            with writing(engine) as connection:
                outbox.send_again(connection, again, COMMAND)
        for end, count in sorted(send_due(engine, settings).items()):
            click.echo(f"{count} {end}")


@mail.command("list", epilog=examples("bookmatch mail list --last 20"))
@click.option("--last", type=click.IntRange(1), default=50, show_default=True, help="How many e-mails.")
@json_option
def list_mails(last: int, as_json: bool) -> None:
    """List e-mails, newest first, with what came of each: neither addresses nor texts."""
    from service.mail import outbox

    with _opened() as (_, engine), reading(engine) as connection:
        rows = [_row(row) for row in outbox.entries(connection, None, last)]
    if as_json:
        click.echo(json.dumps(rows, indent=1))
        return
    for row in rows:
        words = [row[name] for name in ("id", "created", "state", "request", "template", "failure")]
        click.echo("  ".join(str(word) for word in words if word is not None))


def _row(row: Row[Any]) -> dict[str, Any]:
    from service.mail import outbox

    at = {
        name: moment and moment.isoformat(timespec="seconds")
        for name in ("created", "due", "handed", "sent")
        for moment in (getattr(row, name),)
    }
    state = outbox.state_of(row, datetime.now(UTC))
    about = {"id": row.id, "request": row.request_id, "recipient": row.recipient, "template": row.template}
    return {**about, "state": state, **at, "attempts": row.attempts, "failure": row.failure}


@contextmanager
def _opened() -> Iterator[tuple[Settings, Engine]]:
    settings = read_settings()
    engine = open_engine(settings.database, busy_seconds=settings.busy_seconds)
    try:
        check_revision(engine)
        yield settings, engine
    finally:
        engine.dispose()
