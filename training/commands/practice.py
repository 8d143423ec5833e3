"""`python -m training practice`: check a file of common practice, and compare its rules with the evidence."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

import click

from models.bundles.bundle import read_file, read_manifest
from models.bundles.places import Store
from models.bundles.registry import Registry
from models.commands.console import A_FILE, StoreType, examples, json_option
from models.errors import BookmatchError
from models.practice import NO_PRACTICE, SHIPPED, Practice, Rule, SpreadStatement, read_practice, shipped
from training.card.pieces import factor, span
from training.commands.telling import read_text

CARD = "card.json"
_LEARNED = ("prior", "evidence", "posterior", "share", "contradicted")


class _Fitted(NamedTuple):
    """The current price model: its results on each rule and spread, by name, and the practice behind them."""

    version: str
    rules: Mapping[str, Mapping[str, Any]]
    spreads: Mapping[str, Mapping[str, Any]]
    practice: Practice | None


@click.command(
    epilog=examples("bookmatch practice my-practice.toml", "bookmatch practice --store store --json")
)
@click.argument(
    "file",
    metavar="[PRACTICE.toml]",
    required=False,
    type=A_FILE,
)
@click.option(
    "--store",
    type=StoreType(),
    help="Folder of price models; compare the rules with the evidence of the current one.",
)
@json_option
def practice(file: Path | None, store: Store | None, as_json: bool) -> None:
    """Check the rules of PRACTICE.toml and print them; with --store, also what the evidence says of each.

    Without PRACTICE.toml: the rules that the current price model of --store keeps, or those that come with
    the program.
    """
    fitted = _fitted(store) if store else None
    kept = fitted.practice if fitted else None
    known = read_practice_file(file) if file else kept or shipped()
    if fitted:
        _tell(known.rules, fitted)
    if as_json:
        click.echo(json.dumps(_as_json(known, fitted), indent=1, ensure_ascii=False))
    else:
        click.echo("\n".join([*_as_text(known.rules, fitted), *_spreads_as_text(known.spreads, fitted)]))


def practice_of(choice: str | None) -> Practice:
    """Return the practice that `choice` names: "none", a file's path, or None for the program's own rules.

    Raises BookmatchError for a file that cannot be read, or that is not valid.
    """
    if choice is None:
        return shipped()
    if choice == "none":
        return NO_PRACTICE
    try:
        return read_practice_file(Path(choice))
    except OSError as error:
        step = "name a file of rules, or none"
        raise BookmatchError(f"--practice {choice}: {error.strerror or error}; {step}") from error


def read_practice_file(file: Path) -> Practice:
    """The rules of this file. Raises BookmatchError that names it."""
    return read_text(file, read_practice)


def _fitted(store: Store) -> _Fitted:
    registry = Registry(store)
    version, sha256 = registry.current()
    folder = registry.folder(version)
    manifest = read_manifest(folder, sha256)
    card = json.loads(read_file(folder, manifest, CARD)) if CARD in manifest["files"] else {}
    own = None
    if SHIPPED.name in manifest["files"]:
        own = read_practice(read_file(folder, manifest, SHIPPED.name).decode())
    rules, spreads = ({told["name"]: told for told in card.get(key) or ()} for key in ("practice", "spreads"))
    return _Fitted(version, rules, spreads, own)


def _tell(rules: Sequence[Rule], fitted: _Fitted) -> None:
    """Print on stderr how these rules differ from the rules that the current price model was fitted with."""
    if not fitted.rules:
        click.echo(f"price model {fitted.version} was fitted without common practice", err=True)
        return
    # The fit knew a rule about askings or offers even where its evidence has none of them.
    here, kept = {rule.name: rule for rule in rules}, fitted.practice.rules if fitted.practice else ()
    changed = [name for name, rule in here.items() if name in fitted.rules and _changed(rule, fitted)]
    for problem, names in (
        ("does not know", [n for n, rule in here.items() if n not in fitted.rules and rule not in kept]),
        ("was fitted with another version of", changed),
        ("was also fitted with", [name for name in fitted.rules if name not in here]),
    ):
        if names:
            click.echo(f"price model {fitted.version} {problem}: {', '.join(names)}", err=True)


def _changed(rule: Rule, fitted: _Fitted) -> bool:
    said = fitted.rules[rule.name]
    return any(said[key] != getattr(rule, key) for key in ("says", "low", "high", "as_if_sales"))


def _as_json(known: Practice, fitted: _Fitted | None) -> dict[str, Any]:
    if fitted is None:
        return {"rules": list(map(asdict, known.rules)), "spreads": list(map(asdict, known.spreads))}
    return {
        "version": fitted.version,
        "rules": [_with_learned(rule, fitted.rules, _LEARNED) for rule in known.rules],
        "spreads": [_with_learned(one, fitted.spreads, ("evidence", "posterior")) for one in known.spreads],
    }


def _with_learned(
    one: Rule | SpreadStatement, found: Mapping[str, Mapping[str, Any]], keys: Sequence[str]
) -> dict[str, Any]:
    learned = found.get(one.name)
    return {**asdict(one), "learned": {key: learned[key] for key in keys} if learned else None}


def _as_text(rules: Sequence[Rule], fitted: _Fitted | None) -> list[str]:
    rows = [("rule", "price", "as if sales", *(_HEAD if fitted else ()), "in words")]
    for rule in rules:
        learned = _learned(rule, fitted.rules.get(rule.name)) if fitted else ()
        said = (rule.name, f"{rule.low:g} to {rule.high:g}", f"{rule.as_if_sales:g}")
        rows.append((*said, *learned, rule.says))
    lines = [f"{len(rules)} rules of common practice", "", *_columns(rows)]
    return [*lines, "", *_disagreements(rules, fitted.rules)] if fitted and fitted.rules else lines


def _spreads_as_text(spreads: Sequence[SpreadStatement], fitted: _Fitted | None) -> list[str]:
    if not spreads:
        return []
    rows = [("spread", "factor", *(("evidence", "both") if fitted else ()), "in words")]
    for one in spreads:
        learned = fitted.spreads.get(one.name, {}) if fitted else {}
        found = [factor(learned.get(key), "-") for key in ("evidence", "posterior")] if fitted else []
        rows.append((one.name, factor(one.factor, "-"), *found, one.says))
    return [
        "",
        f"{len(spreads)} spreads: two of three lie within this factor of the middle",
        "",
        *_columns(rows),
    ]


_HEAD = ("evidence (80%)", "both (80%)", "of it practice", "verdict")


def _learned(rule: Rule, learned: Mapping[str, Any] | None) -> tuple[str, ...]:
    if learned is None:
        return ("-", "-", "-", "not in the fit")
    share = f"{learned['share']:.0%}"
    return (span(learned["evidence"], "-"), span(learned["posterior"], "-"), share, _verdict(rule, learned))


def _verdict(rule: Rule, learned: Mapping[str, Any]) -> str:
    evidence = learned["evidence"]
    if evidence is None:
        return "no evidence"
    if learned["contradicted"]:
        return "contradicted"
    return "agrees" if rule.low <= evidence["factor"] <= rule.high else "differs within chance"


def _disagreements(rules: Sequence[Rule], learned: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Return the lines that list the rules which the evidence contradicts beyond chance."""
    found = [rule for rule in rules if learned.get(rule.name, {}).get("contradicted")]
    if not found:
        return ["The evidence contradicts no rule beyond chance."]
    return ["The evidence contradicts beyond chance:"] + [
        f"  {rule.name}: {rule.says} The evidence says {span(learned[rule.name]['evidence'], '-')}."
        for rule in found
    ]


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
