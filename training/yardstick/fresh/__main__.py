"""`python -m training.yardstick.fresh`: compare our fit with two rivals on demo markets, in one table.

The rivals are its backbone alone (the model without its trees), and the backbone with trees on raw columns.

Takes hours rather than minutes. With `--json`, a run that was stopped continues where it ended.
"""

from pathlib import Path

from models.commands.console import on_one_thread

on_one_thread()  # before numpy is loaded: markets run side by side

import click  # noqa: E402

from training.yardstick.fresh.measure import KINDS, MarketFigures, measure  # noqa: E402
from training.yardstick.fresh.table import as_text, line  # noqa: E402
from training.yardstick.study import run, study_command  # noqa: E402

FIRST_SEED = 9001  # development looked at none from here on: whoever tunes by this table must move it on
_STUDIES = ("training/yardstick/fresh",)


@study_command(KINDS, 6, FIRST_SEED)
def main(kinds: tuple[str, ...], seeds: int, first: int, jobs: int, out: Path | None) -> None:
    """Fit demo markets of fresh seeds and judge the fit by their later sales; prints one table."""
    wanted = [(kind, first + k) for kind in kinds or KINDS for k in range(seeds)]
    click.echo("\n" + as_text(run(wanted, measure, MarketFigures.from_row, line, out, jobs, _STUDIES)))


main(prog_name="python -m training.yardstick.fresh")
