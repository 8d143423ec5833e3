"""`python -m service keys`: make, list and revoke keys."""

from __future__ import annotations

import json

import click

from service.keys.records import SCOPES, KeyEntry, KeyRing
from service.settings import read_settings
from service.store.base import check_revision, open_engine


@click.group()
def keys() -> None:
    """Make, list and revoke keys."""


def _ring() -> KeyRing:
    settings = read_settings()
    engine = open_engine(settings.database, busy_seconds=settings.busy_seconds)
    check_revision(engine)
    return KeyRing(engine, settings.secret)


@keys.command()
@click.argument("label")
@click.option(
    "--scope",
    "scopes",
    type=click.Choice(sorted(SCOPES)),
    multiple=True,
    default=("valuations",),
    show_default=True,
    help="What it may do; can be given more than once.",
)
def create(label: str, scopes: tuple[str, ...]) -> None:
    """Make a key and print it: the only time that it is shown. LABEL says in the list whose key it is."""
    click.echo(_ring().create(label, scopes)[1])


@keys.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def list_keys(as_json: bool) -> None:
    """List the keys, oldest first: never the keys themselves."""
    rows = [_row(entry) for entry in _ring().entries()]
    if as_json:
        click.echo(json.dumps(rows, indent=1))
        return
    for row in rows:
        state = f"revoked {row['revoked']}" if row["revoked"] else "valid"
        click.echo(f"{row['id']}  {row['created']}  {state}  {row['scopes']}  {row['label']}")


def _row(entry: KeyEntry) -> dict[str, str | None]:
    return {
        "id": entry.id,
        "label": entry.label,
        "scopes": entry.scopes,
        "created": entry.created.isoformat(timespec="seconds"),
        "revoked": entry.revoked.isoformat(timespec="seconds") if entry.revoked else None,
    }


@keys.command()
@click.argument("key_id")
def revoke(key_id: str) -> None:
    """Make a key useless, for ever."""
    _ring().revoke(key_id)
    click.echo(key_id)
