"""`python -m training.yardstick`: compare our fit with general-purpose regression methods, in one table.

Needs the lock group `yardstick`. The first run takes half an hour on two cores; later ones
reuse the stored predictions of the other methods (the peers).
"""

import json
import os
from pathlib import Path

# One thread per fit, because the fits run in parallel and more threads would compete for the same cores.
os.environ.setdefault("OMP_NUM_THREADS", "1")

import click
from joblib import Parallel, cpu_count, delayed
from tqdm import tqdm

from models.commands.console import NEW_FILE, OneLineErrors
from training.yardstick.contests import CONTESTANTS, CONTESTS, pieces, run, scored
from training.yardstick.table import as_text


@click.group(cls=OneLineErrors, invoke_without_command=True)
@click.option("--only", multiple=True, type=click.Choice(CONTESTS), help="Some contests; may be repeated.")
@click.option(
    "--who", multiple=True, type=click.Choice(CONTESTANTS), help="Some contestants; may be repeated."
)
@click.option("--repeats", type=click.IntRange(1), default=3, show_default=True)
@click.option("--jobs", type=click.IntRange(1), default=cpu_count(), show_default=True)
@click.option("--json", "out", type=NEW_FILE, help="Write the scores there.")
def main(only: tuple[str, ...], who: tuple[str, ...], repeats: int, jobs: int, out: Path | None) -> None:
    """Compare on markets of our own making and on open price data; prints one table."""
    work = list(pieces(only or CONTESTS, who or CONTESTANTS, repeats))
    done = Parallel(n_jobs=jobs, return_as="generator")(delayed(run)(piece) for piece in work)
    scores = scored(list(tqdm(done, total=len(work), unit="fit", disable=None)))
    if out is not None:
        out.write_text(json.dumps(scores, indent=1) + "\n", encoding="utf-8")
    click.echo(as_text(scores))


main(prog_name="python -m training.yardstick")
