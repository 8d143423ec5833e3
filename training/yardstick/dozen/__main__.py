"""`python -m training.yardstick.dozen`: fits of 12 sales and more, with rules of common practice and without.

Takes hours rather than minutes. With `--json`, a run that was stopped continues where it ended.
"""

from pathlib import Path

from models.commands.console import on_one_thread

on_one_thread()  # before numpy is loaded: markets run side by side

import click  # noqa: E402

from training.yardstick.dozen.measure import KINDS, SIDES, FitFigures, measure  # noqa: E402
from training.yardstick.dozen.table import as_text, line  # noqa: E402
from training.yardstick.study import run, study_command  # noqa: E402

# No market from this seed on was used in development. Whoever tunes by the table must raise the seed.
FIRST_SEED = 9501
_STUDIES = ("training/yardstick/dozen", "training/yardstick/fresh")


@study_command(KINDS, 10, FIRST_SEED)
@click.option("--side", "sides", multiple=True, type=click.Choice(SIDES), help="Of common practice.")
def main(
    kinds: tuple[str, ...], sides: tuple[str, ...], seeds: int, first: int, jobs: int, out: Path | None
) -> None:
    """Fit small demo markets of fresh seeds, with practice and without, and judge them by later sales."""
    wanted = [
        (kind, first + k, side) for kind in kinds or KINDS for k in range(seeds) for side in sides or SIDES
    ]
    click.echo("\n" + as_text(run(wanted, measure, FitFigures.from_row, line, out, jobs, _STUDIES)))


main(prog_name="python -m training.yardstick.dozen")
