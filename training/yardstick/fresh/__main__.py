"""`python -m training.yardstick.fresh`: compare our fit with two rivals on demo markets, in one table.

The rivals are its backbone alone (the model without its trees), and the backbone with trees on raw columns.

Takes hours rather than minutes. With `--json`, a run that was stopped continues where it ended.
"""

import os
from pathlib import Path

# Set before numpy is loaded. Markets run in parallel, so each fit is fastest with one thread.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import click
from joblib import Parallel, cpu_count, delayed
from tqdm import tqdm

from models.commands.console import OneLineErrors
from training.yardstick.fresh import kept
from training.yardstick.fresh.measure import KINDS, MarketFigures, measure
from training.yardstick.fresh.table import as_text, line

# No market from this seed on was used in development. Whoever tunes by the table must raise the seed.
FIRST_SEED = 9001


@click.group(cls=OneLineErrors, invoke_without_command=True)
@click.option("--kind", "kinds", multiple=True, type=click.Choice(tuple(KINDS)), help="May be repeated.")
@click.option("--seeds", type=click.IntRange(1), default=6, show_default=True, help="Markets of each kind.")
@click.option("--first", type=click.IntRange(0), default=FIRST_SEED, show_default=True, help="First seed.")
@click.option("--jobs", type=click.IntRange(1), default=cpu_count(), show_default=True)
@click.option(
    "--json",
    "out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Keep each market's figures there, and begin with those that are there.",
)
def main(kinds: tuple[str, ...], seeds: int, first: int, jobs: int, out: Path | None) -> None:
    """Fit demo markets of fresh seeds and judge the fit by their later sales; prints one table."""
    wanted = [(kind, first + k) for kind in kinds or KINDS for k in range(seeds)]
    code = kept.code_hash()
    done = kept.read(out, code) if out is not None else []
    there = {(market.kind, market.seed) for market in done}
    missing = [one for one in wanted if one not in there]
    fits = Parallel(n_jobs=jobs, return_as="generator_unordered")(delayed(measure)(*one) for one in missing)
    for market in tqdm(fits, total=len(missing), unit="market", disable=None):
        tqdm.write(line(market))
        done.append(market)
        if out is not None:
            kept.write(out, code, done)
    click.echo("\n" + as_text(_in_order(done, wanted)))


def _in_order(done: list[MarketFigures], wanted: list[tuple[str, int]]) -> list[MarketFigures]:
    by_name = {(market.kind, market.seed): market for market in done}
    return [by_name[one] for one in wanted]


main(prog_name="python -m training.yardstick.fresh")
