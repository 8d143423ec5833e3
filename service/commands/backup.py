"""`python -m service backup` and `restore`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from models.commands.console import NEW_FILE, examples
from service.db.engine import open_engine
from service.settings import Settings, read_settings

_FILE = click.argument("file", type=NEW_FILE)


@click.command(epilog=examples("bookmatch backup saturday.backup"))
@_FILE
def backup(file: Path) -> None:
    """Write the database and the bundles that it refers to into FILE, while the service serves or not.

    FILE restores into SQLite and into PostgreSQL. BOOKMATCH_SECRET seals it and is not in it: keep that
    apart.
    """
    from service.backup.making import make_backup
    from service.blobs.places import store_of
    from service.blobs.store import Blobs

    settings = read_settings()
    about = make_backup(_engine(settings), store_of(settings), file, settings.secret, blobs=Blobs(settings))
    for version in about["bundles_gone"]:
        click.echo(f"bundle {version} is gone or damaged, and is not in the backup", err=True)
    click.echo(_said(about))


@click.command(
    epilog=examples("bookmatch restore saturday.backup --check", "bookmatch restore saturday.backup")
)
@_FILE
@click.option("--force", is_flag=True, help="Replace the rows that are there, and what is current.")
@click.option("--check", is_flag=True, help="Only read FILE and say whether it is whole.")
@click.option("--unauthenticated", is_flag=True, help="Take FILE even if another secret sealed it, or none.")
def restore(file: Path, force: bool, check: bool, unauthenticated: bool) -> None:
    """Bring back what FILE holds, into an empty database. Stop the service first.

    FILE must have been sealed with this BOOKMATCH_SECRET: an archive of others could hold keys of theirs.
    """
    from service.backup.archive import reading_archive
    from service.backup.restoring import restore_backup
    from service.blobs.places import store_of
    from service.blobs.store import Blobs

    settings = read_settings()
    secret = None if unauthenticated else settings.secret
    if check:
        with reading_archive(file, secret) as archive:
            click.echo(_said(archive.manifest))
        return
    blobs = Blobs(settings)
    about = restore_backup(_engine(settings), store_of(settings), file, secret, blobs=blobs, force=force)
    click.echo(_said(about))


def _engine(settings: Settings) -> Any:
    return open_engine(settings.database, busy_seconds=settings.busy_seconds)


def _said(about: Mapping[str, Any]) -> str:
    rows = ", ".join(f"{table['rows']} of {table['name']}" for table in about["tables"])
    bundles = ", ".join(about["bundles"]) or "none"
    made = f"made {about['made']}; revision {about['revision']}; rows: {rows}; bundles: {bundles}"
    return f"{made}; files: {about.get('files', 0)}"  # archives of earlier programs hold none
