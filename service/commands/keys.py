"""`python -m service keys`: make, list, rotate and revoke keys."""

from __future__ import annotations

import json
from collections.abc import Sequence
from html import escape
from typing import Any

import click

from models.commands.console import examples, json_option
from service.db.engine import check_revision, open_engine
from service.keys.kinds import DEFAULT_OVERLAP_HOURS, MOST_OVERLAP_HOURS, SCOPES, SYSTEM, WEBSITE
from service.keys.records import KeyEntry, KeyRing
from service.settings import Settings, read_settings


@click.group()
def keys() -> None:
    """Make, list, rotate and revoke keys."""


def _ring() -> KeyRing:
    return _ring_of(read_settings())


def _ring_of(settings: Settings) -> KeyRing:
    engine = open_engine(settings.database, busy_seconds=settings.busy_seconds)
    check_revision(engine)
    return KeyRing(engine, settings.secret)


_url = click.option(
    "--url",
    envvar="BOOKMATCH_URL",
    help="The service, as visitors of a website reach it; default: BOOKMATCH_URL, or BOOKMATCH_PUBLIC_URL.",
)


@keys.command(
    epilog=examples(
        "bookmatch keys create bookkeeper --scope valuations --scope evidence",
        "bookmatch keys create form --website --origin https://www.example.org",
    )
)
@click.argument("label")
@click.option(
    "--scope",
    "scopes",
    type=click.Choice(sorted(SCOPES)),
    multiple=True,
    help="What a system key may do; can be given more than once. Default: valuations.",
)
@click.option("--website", is_flag=True, help="A key for the form on a website; needs --origin.")
@click.option(
    "--origin",
    "origins",
    metavar="ORIGIN",
    multiple=True,
    help="Where a website key may be used, https://www.example.org; can be given more than once.",
)
@_url
def create(
    label: str, scopes: tuple[str, ...], website: bool, origins: tuple[str, ...], url: str | None
) -> None:
    """Make a key and print it: the only time that it is shown. LABEL says in the list whose key it is.

    For a website key the error output shows what to put into the page.
    """
    settings = read_settings()
    if website:
        kind = WEBSITE
    else:
        kind, scopes = SYSTEM, scopes or ("valuations",)
    key = _ring_of(settings).create(label, scopes, kind=kind, origins=origins)[1]
    click.echo(key)
    if website:
        click.echo(_for_the_page(key, url or settings.public_url, origins), err=True)


def _for_the_page(key: str, url: str, origins: Sequence[str]) -> str:
    """Return the line that puts the form into a page, and who may see it."""
    source, named = f"{escape(url)}/form/embed.js", escape(key)
    tag = f'<script src="{source}" data-key="{named}" data-language="en" defer></script>'
    return (
        f"This key may stand in a public page. It works from pages of {' and '.join(origins)} only, and "
        "opens no more than a form needs.\nPaste this line into the page, where the form is to stand "
        f"(docs/website.md says more):\n{tag}"
    )


@keys.command("list", epilog=examples("bookmatch keys list"))
@json_option
def list_keys(as_json: bool) -> None:
    """List the keys, oldest first, and when each was last used: never the keys themselves."""
    rows = [_row(entry) for entry in _ring().entries()]
    if as_json:
        click.echo(json.dumps(rows, indent=1))
        return
    for row in rows:
        state = f"revoked {row['revoked']}" if row["revoked"] else "valid"
        used = f"used {row['used']}" if row["used"] else "never used"
        may = row["scopes"] or row["origins"]
        click.echo(f"{row['id']}  {row['kind']}  {row['created']}  {state}  {used}  {may}  {row['label']}")
        for secret in row["secrets"]:
            if secret["expires"] and not row["revoked"]:
                click.echo(f"    a secret of {secret['created']} expires {secret['expires']}")


def _row(entry: KeyEntry) -> dict[str, Any]:
    row = {**vars(entry), "used": entry.used, "secrets": [vars(one) for one in entry.secrets]}
    text: dict[str, Any] = json.loads(
        json.dumps(row, default=lambda moment: moment.isoformat(timespec="seconds"))
    )
    return text


@keys.command(epilog=examples("bookmatch keys rotate KEY_ID --overlap-hours 48"))
@click.argument("key_id")
@click.option(
    "--overlap-hours",
    type=click.FloatRange(0, MOST_OVERLAP_HOURS),
    default=DEFAULT_OVERLAP_HOURS,
    show_default=True,
    help="How long the secrets before stay valid; 0: they end at once.",
)
@_url
def rotate(key_id: str, overlap_hours: float, url: str | None) -> None:
    """Give a key a new secret and print the key: the only time that it is shown.

    For a website key the error output shows what to put into the page in place of the line before.
    """
    settings = read_settings()
    ring = _ring_of(settings)
    key = ring.rotate(key_id, overlap_hours)
    click.echo(key)
    entry = ring.entry(key_id)
    if entry.kind == WEBSITE:
        click.echo(_for_the_page(key, url or settings.public_url, entry.origins.split()), err=True)


@keys.command(epilog=examples("bookmatch keys revoke KEY_ID"))
@click.argument("key_id")
def revoke(key_id: str) -> None:
    """Make a key useless, for ever."""
    _ring().revoke(key_id)
    click.echo(key_id)
