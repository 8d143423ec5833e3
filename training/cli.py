"""Define the commands `fit` and `backtest` of `python -m training`, and list those of other modules.

Slow modules are imported inside the command that needs them, so that `--help` answers at once.
"""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

import click

from models.commands.console import A_FILE, OneLineErrors, StoreType, examples, json_option
from models.commands.options import cluster_option
from models.domain.catalogue import Catalogue, read_catalogue
from models.errors import BookmatchError
from training.commands.telling import note, read_text, show_study, tell, tell_doubts
from training.sources import Source, SourceParameter, named, read_source

if TYPE_CHECKING:
    from models.bundles.places import Store
    from models.domain.money import Rates
    from training.reading import Reading
    from training.release import WrittenBundle


class _LateCommands(OneLineErrors):
    """A command group with commands of other modules, each of which is imported when it is looked up."""

    late: ClassVar = {
        "demo": ("training.commands.demo", "demo"),
        "evaluate": ("training.commands.evaluate", "evaluate"),
        "practice": ("training.commands.practice", "practice"),
    }

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted({*super().list_commands(ctx), *self.late})

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name in self.late:
            module, attribute = self.late[name]
            command: click.Command = getattr(importlib.import_module(module), attribute)
            return command
        return super().get_command(ctx, name)


_SOURCE = SourceParameter()
_evidence = click.argument("evidence", type=_SOURCE)
_catalogue = click.option(
    "--catalogue", required=True, type=A_FILE, help="Makers, models and editions (TOML)."
)
_seed = click.option(
    "--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Same seed, same price model."
)
_strict = click.option("--strict", is_flag=True, help="Make any bad row an error.")
_jobs = click.option(
    "--jobs",
    type=click.IntRange(min=1),
    default=None,
    help="Fits at a time.  [default: the machine's processors]",
)
_practice = click.option(
    "--practice",
    metavar="FILE",
    help="Rules of common practice that a fit starts from (TOML), or none.  [default: the rules shipped]",
)


@click.group(cls=_LateCommands)
def main() -> None:
    """Fit price models, judge them, and write the demo market."""


@main.command(
    epilog=examples(
        "bookmatch fit evidence.csv --catalogue catalogue.toml --store store --promote",
        "bookmatch fit sqlite:///bookmatch.sqlite3 --catalogue catalogue.toml --store store",
    )
)
@_evidence
@_catalogue
@click.option(
    "--store",
    required=True,
    type=StoreType(new=True),
    help="Folder of price models, made where there is none, or s3://BUCKET/PREFIX.",
)
@_practice
@_seed
@_strict
@click.option("--promote", is_flag=True, help="Make it the current price model, if it passes the gate.")
@click.option(
    "--force", is_flag=True, help="With --promote: even if it fails the gate; needs --who and --why."
)
@click.option("--who", help="Who promotes; kept in the history.")
@click.option("--why", help="Why; kept in the history.")
@click.option(
    "--holdout-months",
    "months",
    type=click.FloatRange(min=0),
    help="Keep out the sales of the last months for judging; 0 judges nothing.  [default: 10]",
)
@_jobs
def fit(
    evidence: Source,
    catalogue: Path,
    store: Store,
    practice: str | None,
    seed: int,
    strict: bool,
    promote: bool,
    force: bool,
    who: str | None,
    why: str | None,
    months: float | None,
    jobs: int | None,
) -> None:
    """Fit a price model, write it to the store and print its version.

    EVIDENCE is a file (CSV) or the address of the service's database (sqlite:///… or postgresql://…), of
    which every record in use is read, except those that the service has warned of until they are confirmed
    or corrected. Rows that are hard to believe are named. Any number of sales will do: with too few to keep
    any out, the price model is provisional, and every answer says so.
    """
    if force and not (promote and who and why):
        raise click.UsageError(
            "--force needs --promote, --who and --why: it overrides the gate, on the record"
        )
    from joblib import cpu_count

    from training import release
    from training.commands.practice import practice_of
    from training.study.holdout import MONTHS

    rules = practice_of(practice)
    known, reading, rates = _read(evidence, catalogue, strict)
    tell_doubts(reading, known, store)
    made = release.make_bundle(
        reading.rows,
        known,
        rates,
        store,
        practice=rules,
        seed=seed,
        months=MONTHS if months is None else months,
        about={"refused_rows": len(reading.refused), "ignored_columns": list(reading.ignored_columns)},
        jobs=jobs or cpu_count(),
    )
    click.echo(made.version)
    _tell_verdict(made)
    if promote:
        release.promote(made, store, force=force, who=who, why=why)
        note(f"It is the current price model of {store} now.")


def _tell_verdict(made: WrittenBundle) -> None:
    for check in made.verdict.checks:
        note(f"{'passed' if check.passed else 'failed'}  {check.name}: {check.detail}")
    why = made.judgement.why_provisional
    if made.judgement.provisional:
        note(f"The price model is provisional, and every answer will say so. {why}")


@main.command(epilog=examples("bookmatch backtest evidence.csv --catalogue catalogue.toml --years 2"))
@_evidence
@_catalogue
@_practice
@_seed
@_strict
@click.option(
    "--years",
    type=click.FloatRange(min=0.25),
    default=3,
    show_default=True,
    help="How far back the first quarter lies.",
)
@_jobs
@cluster_option
@json_option
def backtest(
    evidence: Source,
    catalogue: Path,
    practice: str | None,
    seed: int,
    strict: bool,
    years: float,
    jobs: int | None,
    cluster: str | None,
    as_json: bool,
) -> None:
    """Show how good it would have been: fit again every quarter, judge by the sales of that quarter.

    EVIDENCE is as for `fit`.
    """
    from functools import partial

    from joblib import cpu_count

    from models.commands.cluster import over
    from training.card.contents import plain
    from training.commands.practice import practice_of
    from training.release import fit_for_backtest
    from training.study import backtest as study

    fitted = partial(fit_for_backtest, practice=practice_of(practice))
    known, reading, rates = _read(evidence, catalogue, strict)
    with over(cluster):
        found = study.backtest(
            reading.rows, known, rates, fitted, years=years, seed=seed, jobs=jobs or cpu_count()
        )
    show_study(plain(study.report(found)), as_json)


def _read(evidence: Source, catalogue: Path, strict: bool) -> tuple[Catalogue, Reading, Rates]:
    from training.rates import load_rates

    known = read_text(catalogue, read_catalogue)
    if known.ignored:
        note(f"{catalogue}: ignored keys: {', '.join(known.ignored)}")
    rates = load_rates()
    reading = read_source(evidence, known, rates, strict=strict)
    tell(reading)
    if not reading.rows:
        raise BookmatchError(f"{named(evidence)}: no record of it can be used")
    return known, reading, rates
