"""`python -m service`: serve; care for the database, keys and e-mails; value a stock list."""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from typing import Any

import click

from models.commands.console import OneLineErrors, examples
from service.commands.audit import audit
from service.commands.backup import backup, restore
from service.commands.desk import desk
from service.commands.keys import keys
from service.commands.mail import mail
from service.settings import Settings, read_settings, secret_files, table

_WATCH_SECONDS = 0.5  # how soon a worker notices that another price model was promoted
_TRIES = 10  # half a second apart, to find the address free


class _Commands(OneLineErrors):
    """All commands. `value` is loaded only when called, because a server does not need the HTTP client."""

    def list_commands(self, context: click.Context) -> list[str]:
        return sorted([*super().list_commands(context), "value"])

    def get_command(self, context: click.Context, name: str) -> Any:
        if name == "value":
            from service.commands.value import value

            return value
        return super().get_command(context, name)


@click.group(cls=_Commands)
def main() -> None:
    """Run the HTTP service. Settings come from the environment: `settings` lists them."""


main.add_command(keys)
main.add_command(audit)
main.add_command(mail)
main.add_command(desk)
main.add_command(backup)
main.add_command(restore)


@main.command(epilog=examples("bookmatch serve --bind 127.0.0.1:8001"))
@click.option("--bind", help="Address and port; default: BOOKMATCH_BIND.")
@click.option("--workers", type=click.IntRange(1, 64), help="Worker processes; default: BOOKMATCH_WORKERS.")
def serve(bind: str | None, workers: int | None) -> None:
    """Serve until told to stop. `check` names what is missing; `migrate` makes the database."""
    from service.server.gunicorn_app import serve as run

    settings = read_settings()
    settings = replace(settings, bind=bind or settings.bind, workers=workers or settings.workers)
    _refuse_unsafe(settings)
    _wait_for(settings.bind)
    run(settings, _application)


def _refuse_unsafe(settings: Settings) -> None:
    """Leave with a message if the secret can be guessed, or others can read it or the records."""
    from service.commands.safety import exposures, weaknesses

    unsafe = [*weaknesses(settings), *exposures(settings, secret_files())]
    if unsafe:
        raise click.ClickException("; ".join(unsafe))


def _wait_for(bind: str) -> None:
    """Wait until the address is free: workers of a server that was killed hold it for a moment."""
    from service.commands.check import address

    for _ in range(_TRIES):
        found = address(bind)
        if found.ok:
            return
        time.sleep(_WATCH_SECONDS)
    raise click.ClickException(f"address {found.text} Stop it, or choose another with --bind")


def _application(settings: Settings, counted: Any) -> Any:
    """Make a worker's application. Import it after the fork, which threads of libraries do not survive."""
    from service.app import create_app

    return create_app(settings, watch_seconds=_WATCH_SECONDS, counted=counted)


@main.command(epilog=examples("bookmatch migrate"))
@click.option("--down-to", metavar="REVISION", help="Go back to this revision; base is before all.")
def migrate(down_to: str | None) -> None:
    """Bring the database to the newest revision and print it."""
    from service.db.engine import found_revision, open_engine
    from service.db.migrate import downgrade, upgrade

    engine = open_engine(read_settings().database)
    if down_to:
        downgrade(engine, down_to)
    else:
        upgrade(engine)
    click.echo(found_revision(engine) or "base")


@main.command(epilog=examples("bookmatch prune"))
def prune() -> None:
    """Delete what has outlived its time, and say how much; a running service does so every hour."""
    from service.api.reports.records import prune as prune_reports
    from service.blobs.store import Blobs
    from service.db.engine import open_engine
    from service.db.pruning import prune as run
    from service.photographs.records import prune as prune_photographs
    from service.webhooks.deliveries import prune as prune_events

    settings = read_settings()
    engine = open_engine(settings.database)
    for name, count in run(engine).items():
        click.echo(f"{count} {name} deleted")
    click.echo(f"{prune_events(engine)} events of webhooks deleted")
    for name, unnamed in (("photographs", prune_photographs), ("reports", prune_reports)):
        click.echo(f"{unnamed(engine, Blobs(settings))} files of {name} that no row names deleted")


@main.command(epilog=examples("bookmatch check"))
def check() -> None:
    """Check all that serving needs, and say what is wrong; exit with 1 if anything is."""
    from service.commands.check import findings
    from service.server import logs

    logs.configure("critical")  # findings are printed below, so the log must not repeat them
    wrong = 0
    for finding in findings(read_settings(), secret_files=secret_files()):
        click.echo(f"{'ok   ' if finding.ok else 'WRONG'}  {finding.name}: {finding.text}")
        wrong += not finding.ok
    if wrong:
        sys.exit(1)


@main.command("settings", epilog=examples("bookmatch settings"))
def show_settings() -> None:
    """List every setting with its default and what it is for."""
    for row in table():
        click.echo(f"{row['name']}\n    {row['help']} Default: {row['default']}.")
