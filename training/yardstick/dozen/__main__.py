"""`python -m training.yardstick.dozen`: fits of 12 sales and more, with rules of common practice and without.

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
from training.yardstick.dozen.measure import KINDS, SIDES, FitFigures, measure, sides_there
from training.yardstick.dozen.table import as_text, line
from training.yardstick.fresh import kept

# No market from this seed on was used in development. Whoever tunes by the table must raise the seed.
FIRST_SEED = 9501
_STUDIES = ("training/yardstick/dozen", "training/yardstick/fresh")


@click.group(cls=OneLineErrors, invoke_without_command=True)
@click.option("--kind", "kinds", multiple=True, type=click.Choice(tuple(KINDS)), help="May be repeated.")
@click.option("--side", "sides", multiple=True, type=click.Choice(SIDES), help="Of common practice.")
@click.option("--seeds", type=click.IntRange(1), default=10, show_default=True, help="Markets of each kind.")
@click.option("--first", type=click.IntRange(0), default=FIRST_SEED, show_default=True, help="First seed.")
@click.option("--jobs", type=click.IntRange(1), default=cpu_count(), show_default=True)
@click.option(
    "--json",
    "out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Keep each market's figures there, and begin with those that are there.",
)
def main(
    kinds: tuple[str, ...], sides: tuple[str, ...], seeds: int, first: int, jobs: int, out: Path | None
) -> None:
    """Fit small demo markets of fresh seeds, with practice and without, and judge them by later sales."""
    there = [side for side in sides_there() if not sides or side in sides]
    if not there:
        raise click.UsageError("this fit takes no common practice yet; leave out --side with")
    wanted = [(kind, first + k, side) for kind in kinds or KINDS for k in range(seeds) for side in there]
    code = kept.code_hash(studies=_STUDIES)
    rows = kept.read_rows(out, code) if out is not None else []
    done = {(market.kind, market.seed, market.side): market for market in map(FitFigures.from_row, rows)}
    missing = [one for one in wanted if one not in done]
    fits = Parallel(n_jobs=jobs, return_as="generator_unordered")(delayed(measure)(*one) for one in missing)
    for market in tqdm(fits, total=len(missing), unit="fit", disable=None):
        tqdm.write(line(market))
        done[market.kind, market.seed, market.side] = market
        if out is not None:
            kept.write(out, code, list(done.values()))
    click.echo("\n" + as_text([done[one] for one in wanted]))


main(prog_name="python -m training.yardstick.dozen")
