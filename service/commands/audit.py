"""`python -m service audit`: list who did what to keys and price models."""

from __future__ import annotations

import json

import click

from models.commands.console import examples, json_option
from service.db.audit import entries
from service.db.engine import check_revision, open_engine, reading
from service.settings import read_settings


@click.command(epilog=examples("bookmatch audit --last 20"))
@click.option("--last", type=click.IntRange(1), default=50, show_default=True, help="How many entries.")
@json_option
def audit(last: int, as_json: bool) -> None:
    """List who did what to keys and price models, newest first."""
    settings = read_settings()
    engine = open_engine(settings.database, busy_seconds=settings.busy_seconds)
    check_revision(engine)
    with reading(engine) as connection:
        rows = [
            {**row, "at": row["at"].isoformat(timespec="seconds")} for row in entries(connection, None, last)
        ]
    if as_json:
        click.echo(json.dumps(rows, indent=1))
        return
    for row in rows:
        click.echo(f"{row['at']}  {row['actor']}  {row['action']}  {row['object']}  {row['detail']}")
