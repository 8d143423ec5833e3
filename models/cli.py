"""The commands of `python -m models`: list, show, promote and roll back bundles, and value a stock list."""

import json
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, BinaryIO

import click

from models.bundles.bundle import read_bundle
from models.bundles.places import Store
from models.bundles.provisional import is_provisional
from models.bundles.registry import Registry, objections
from models.bundles.trial import check_values
from models.commands.cluster import over
from models.commands.console import OneLineErrors, StoreType, examples, json_option, login
from models.commands.options import (
    cluster_option,
    levels_option,
    note,
    out_option,
    say_refused,
    watched,
    written,
)
from models.domain.cells import LAST_DAY, read_currency, read_day
from models.domain.money import BASE_CURRENCY
from models.domain.vocabulary import CHANNEL_NAMES, DEFAULT_CHANNEL
from models.errors import BundleMissingError, Fault, InputError
from models.tables.in_words import tell_stocklist
from models.tables.stocklist import Terms, value_stocklist
from models.valuation.valuer import Valuer

_store = click.option(
    "--store", type=StoreType(), required=True, help="Folder of price models, or s3://BUCKET/PREFIX."
)


def _line(context: click.Context, option: click.Parameter, text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise click.BadParameter("it is not a line of printable text")
    return text.strip()


def _change_options(command: Callable[..., Any]) -> Callable[..., Any]:
    why = {"default": "no reason given", "callback": _line, "help": "Why; kept in the history."}
    who = {"default": login, "callback": _line, "help": "Who; default: your login name."}
    return click.option("--who", **who)(click.option("--why", **why)(command))  # type: ignore[arg-type]


def _day(context: click.Context, parameter: click.Parameter, text: str | None) -> date | None:
    faults: list[Fault] = []
    found = read_day(text, faults, latest=LAST_DAY) if text is not None else None
    if faults:
        raise click.BadParameter(str(InputError(faults)))
    return found


def _known_currency(text: str, valuer: Valuer) -> str:
    faults: list[Fault] = []
    code = read_currency(text.strip(), valuer.rates.currencies, faults)
    if faults:
        raise click.BadParameter(str(InputError(faults)), param_hint="--currency")
    return code


@click.group(cls=OneLineErrors)
def main() -> None:
    """Manage the price models of a store, and value stock lists."""


@main.command("list", epilog=examples("bookmatch list --store store"))
@_store
@json_option
def list_bundles(store: Store, as_json: bool) -> None:
    """List the price models, oldest first; a star marks the current one."""
    registry = Registry(store)
    current = _current(registry)
    rows = [
        {"version": v, "current": v == current, "provisional": registry.provisional(v)}
        for v in registry.versions()
    ]
    if as_json:
        click.echo(json.dumps(rows, indent=1))
        return
    for row in rows:
        word = " damaged" if row["provisional"] is None else " provisional" if row["provisional"] else ""
        click.echo(f"{'*' if row['current'] else ' '} {row['version']}{word}")


def _current(registry: Registry) -> str | None:
    try:
        return registry.current().version
    except BundleMissingError:
        return None


@main.command(epilog=examples("bookmatch show --store store --json"))
@click.argument("version", required=False)
@_store
@json_option
def show(version: str | None, store: Store, as_json: bool) -> None:
    """Show what a price model holds and its history; without VERSION, the current one."""
    registry = Registry(store)
    name = version or registry.current().version
    manifest = registry.manifest(name)
    changes = [vars(c) for c in registry.history() if name in (c.version, c.before)]
    is_current = name == _current(registry)
    provisional = is_provisional(manifest)
    if as_json:
        said = {**manifest, "provisional": provisional, "current": is_current, "history": changes}
        click.echo(json.dumps(said, indent=1))
        return
    words = ", ".join(["current"] * is_current + ["provisional"] * provisional)
    click.echo(f"version   {name}{f' ({words})' if words else ''}\ncreated   {manifest['created']}")
    click.echo(f"features  {manifest['features']}")
    for key, value in manifest["about"].items():
        click.echo(f"{key}  {value if isinstance(value, str) else json.dumps(value)}")
    for file, entry in manifest["files"].items():
        click.echo(f"{entry['sha256'][:16]}  {entry['size']:>10,}  {file}")
    for c in changes:
        click.echo(f"{c['when']}  {c['action']} from {c['before'] or 'nothing'} by {c['who']}: {c['why']}")


@main.command(
    epilog=examples('bookmatch promote 20260630T120000000Z-1a2b3c4d --store store --why "checked by hand"')
)
@click.argument("version")
@_store
@_change_options
def promote(version: str, store: Store, who: str, why: str) -> None:
    """Verify a price model, value each model of its catalogue once, and make it the current one.

    It may have failed the gate: the command says so and keeps that in the history.
    """
    registry = Registry(store)
    check_values(read_bundle(registry.folder(version)))
    said = "; ".join(objections(registry.manifest(version), registry.current_manifest()))
    if said:
        why = f"{why} (the gate said: {said})"
        note(f"the gate did not let {version} pass: {said}")
    click.echo(registry.promote(version, who=who, why=why).version)


@main.command(epilog=examples('bookmatch rollback --store store --why "the new one values basses too low"'))
@_store
@_change_options
def rollback(store: Store, who: str, why: str) -> None:
    """Go back to the price model that was current before, and print its version."""
    click.echo(Registry(store).rollback(who=who, why=why).version)


@main.command(
    epilog=examples(
        "bookmatch value stock.csv --store store --currency EUR --out values.csv",
        "bookmatch value stock.csv --store store --words",
        "bookmatch value stock.csv --store store --out values.csv --cluster tcp://scheduler:8786",
    )
)
@click.argument("instruments", type=click.File("rb"))
@_store
@levels_option
@click.option(
    "--date", "day", callback=_day, help="Day of the value, for rows that name none; default: today."
)
@click.option(
    "--channel",
    type=click.Choice(CHANNEL_NAMES, case_sensitive=False),
    default=DEFAULT_CHANNEL,
    show_default=True,
    help="Market of the value, for rows that name none.",
)
@click.option(
    "--currency",
    default=BASE_CURRENCY,
    show_default=True,
    help="Currency (ISO 4217), for rows that name none.",
)
@click.option("--words", is_flag=True, help="Tell each value with its reasons in sentences, instead of CSV.")
@out_option
@cluster_option
def value(
    instruments: BinaryIO,
    store: Store,
    levels: tuple[float, ...],
    day: date | None,
    channel: str,
    currency: str,
    words: bool,
    out: Path | None,
    cluster: str | None,
) -> None:
    """Value every instrument of a CSV file by the current price model; - reads from stdin.

    Columns of your own are ignored, and named once on stderr: rows keep their id and their order, so that the
    values can be joined to them. The exit code is 1 if a row could not be valued.
    """
    if words and cluster:
        raise click.UsageError("--words tells one value after the other: leave out --cluster")
    valuer = Registry(store).load().valuer
    if valuer.provisional:
        note(f"the price model {valuer.version} is provisional: take its values as first estimates")
    code = _known_currency(currency, valuer)
    terms = Terms(day or datetime.now(UTC).date(), channel, code, levels)
    with over(cluster) as spread, written(out) as target, watched(instruments) as lines:
        if words:
            outcome = tell_stocklist(lines, target, valuer, terms, note)
        else:
            outcome = value_stocklist(lines, target, valuer, terms, note, spread)
    where = "each says why" if words else "see the column error"
    say_refused(outcome.failed, outcome.valued + outcome.failed, where)
