"""`python -m models`: the bundles of a store, which one is current, and values for a stock list."""

from __future__ import annotations

import getpass
import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, BinaryIO

import click
from tqdm import tqdm

from models.console import OneLineErrors
from models.errors import BundleMissingError, InputError
from models.levels import check_levels
from models.registry import Registry
from models.stocklist import value_stocklist
from models.vocabulary import DEFAULT_LEVELS


def _login() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a container's user may have no name
        return str(os.getuid())


_store = click.option(
    "--store",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    required=True,
    help="The folder that holds the bundles.",
)
_json = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


def _change_options(command: Callable[..., Any]) -> Callable[..., Any]:
    command = click.option("--why", default="no reason given", help="Why; kept in the history.")(command)
    return click.option("--who", default=_login, help="Who; default: your login name.")(command)


@click.group(cls=OneLineErrors)
def main() -> None:
    """Bundles of a store, and values for a stock list."""


@main.command("list")
@_store
@_json
def list_bundles(store: Path, as_json: bool) -> None:
    """List the bundles, oldest first; the current one is marked with a star."""
    registry = Registry(store)
    current = _current(registry)
    if as_json:
        rows = [{"version": v, "current": v == current} for v in registry.versions()]
        click.echo(json.dumps(rows, indent=1))
        return
    for version in registry.versions():
        click.echo(f"{'*' if version == current else ' '} {version}")


def _current(registry: Registry) -> str | None:
    try:
        return registry.current().version
    except BundleMissingError:
        return None


@main.command()
@click.argument("version", required=False)
@_store
@_json
def show(version: str | None, store: Path, as_json: bool) -> None:
    """Show what a bundle holds and the changes that concern it; default: the current one."""
    registry = Registry(store)
    name = version or registry.current().version
    manifest = registry.manifest(name)
    changes = [vars(c) for c in registry.history() if name in (c.version, c.before)]
    is_current = name == _current(registry)
    if as_json:
        click.echo(json.dumps({**manifest, "current": is_current, "history": changes}, indent=1))
        return
    click.echo(f"version   {name}{' (current)' if is_current else ''}\ncreated   {manifest['created']}")
    click.echo(f"features  {manifest['features']}")
    for key, value in manifest["about"].items():
        click.echo(f"{key}  {value if isinstance(value, str) else json.dumps(value)}")
    for file, entry in manifest["files"].items():
        click.echo(f"{entry['sha256'][:16]}  {entry['size']:>10,}  {file}")
    for c in changes:
        click.echo(f"{c['when']}  {c['action']} from {c['before'] or 'nothing'} by {c['who']}: {c['why']}")


@main.command()
@click.argument("version")
@_store
@_change_options
def promote(version: str, store: Path, who: str, why: str) -> None:
    """Verify a bundle and make it the current one."""
    click.echo(Registry(store).promote(version, who=who, why=why).version)


@main.command()
@_store
@_change_options
def rollback(store: Path, who: str, why: str) -> None:
    """Go back to what was current before the last promotion still in force."""
    click.echo(Registry(store).rollback(who=who, why=why).version)


def _levels(context: click.Context, parameter: click.Parameter, text: str) -> tuple[float, ...]:
    try:
        return check_levels([float(part) for part in text.split(",")])
    except (ValueError, InputError) as error:
        raise click.BadParameter(f"{text!r}: {error}") from error


@main.command()
@click.argument("instruments", type=click.File("rb"))
@_store
@click.option(
    "--levels",
    default=",".join(str(level) for level in DEFAULT_LEVELS),
    show_default=True,
    callback=_levels,
    help="Levels of the ranges, between 0 and 1, separated by commas.",
)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where to; default: stdout.",
)
def value(instruments: BinaryIO, store: Path, levels: tuple[float, ...], out: Path | None) -> None:
    """Value every instrument of a CSV file at the current bundle; - reads from stdin."""
    valuer = Registry(store).load().valuer
    with _written(out) as target, _watched(instruments) as lines:
        outcome = value_stocklist(lines, target, valuer, levels, note=_note)
    if outcome.failed:
        total = outcome.valued + outcome.failed
        _note(f"{outcome.failed} of {total} rows could not be valued: see the column error")


def _note(text: str) -> None:
    tqdm.write(text, file=sys.stderr)


@contextmanager
def _written(out: Path | None) -> Iterator[IO[str]]:
    """Where the values go; a file is replaced once all of them are there."""
    if out is None:
        with click.open_file("-", "w", encoding="utf-8") as stream:
            yield stream
        return
    if out.exists() and not out.is_file():  # a pipe or a device
        with out.open("w", encoding="utf-8", newline="") as stream:
            yield stream
        return
    if not out.parent.is_dir():
        raise click.BadParameter(f"there is no folder {out.parent}", param_hint="--out")
    aside = out.with_name(f".{out.name}.{os.getpid()}")
    try:
        with aside.open("w", encoding="utf-8", newline="") as stream:
            yield stream
        aside.replace(out)
    finally:
        aside.unlink(missing_ok=True)


@contextmanager
def _watched(stream: BinaryIO) -> Iterator[Iterator[bytes]]:
    """The lines of a stream, with a progress bar by bytes on a terminal."""
    name = getattr(stream, "name", None)  # stdin has none that is a path
    size = Path(name).stat().st_size if isinstance(name, str) and Path(name).is_file() else None
    with tqdm(total=size, unit="B", unit_scale=True, desc="valuing", disable=None) as bar:

        def lines() -> Iterator[bytes]:
            for line in stream:
                bar.update(len(line))
                yield line

        yield lines()
