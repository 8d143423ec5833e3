"""`python -m training.yardstick.portfolios`: hold the ranges of portfolios against fresh demo markets.

With `--json`, a run that was stopped continues where it ended.
"""

from pathlib import Path

from models.commands.console import on_one_thread

on_one_thread()  # before numpy is loaded: markets run side by side

import click  # noqa: E402

from training.yardstick.portfolios.measure import KINDS, PortfolioFigures, measure  # noqa: E402
from training.yardstick.portfolios.table import as_text, line  # noqa: E402
from training.yardstick.study import run, study_command  # noqa: E402

# No market from this seed on was used in development. Whoever tunes by the table must raise the seed.
FIRST_SEED = 10_401
_STUDIES = ("training/yardstick/portfolios",)


@study_command(KINDS, 15, FIRST_SEED)
def main(kinds: tuple[str, ...], seeds: int, first: int, jobs: int, out: Path | None) -> None:
    """Fit demo markets of fresh seeds, and count the portfolios whose true total lies inside their range."""
    # Each market has a seed of its own: those of one seed share the course of the market after the evidence.
    places = {kind: place for place, kind in enumerate(KINDS)}
    wanted = [(kind, first + k * len(KINDS) + places[kind]) for k in range(seeds) for kind in kinds or KINDS]
    click.echo("\n" + as_text(run(wanted, measure, PortfolioFigures.from_row, line, out, jobs, _STUDIES)))


main(prog_name="python -m training.yardstick.portfolios")
