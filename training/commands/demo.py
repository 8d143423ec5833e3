"""The command `python -m training demo DIR`, which writes the files of the demo market."""

from pathlib import Path

import click

from models.commands.console import NEW_FOLDER, examples
from training.demo.files import write_market
from training.demo.market import make_market
from training.demo.world.natures import NATURES


@click.command(epilog=examples("bookmatch demo market --sales 500"))
@click.argument("folder", metavar="DIR", type=NEW_FOLDER)
@click.option(
    "--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Another seed, another market."
)
@click.option(
    "--sales",
    type=click.IntRange(min=1),
    default=3000,
    show_default=True,
    help="Number of closed sales; the rest in proportion.",
)
@click.option(
    "--nature",
    type=click.Choice(tuple(NATURES)),
    default="house",
    show_default=True,
    help="How prices come about.",
)
def demo(folder: Path, seed: int, sales: int, nature: str) -> None:
    """Write the demo market's files to DIR: catalogue, evidence, later sales, a stock list and the truth."""
    market = make_market(seed, sales, nature)
    try:
        rows = write_market(folder, market, seed)
    except OSError as error:
        raise click.ClickException(f"{folder}: cannot be written: {error.strerror}") from error
    click.echo(
        f"{folder}: catalogue.toml, " + ", ".join(f"{name} ({count} rows)" for name, count in rows.items())
    )
