"""Options and output of the two commands that value a stock list, from a store of bundles or by a service."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, BinaryIO

import click
from tqdm import tqdm

from models.commands.console import NEW_FILE
from models.domain.vocabulary import DEFAULT_LEVELS
from models.errors import InputError
from models.valuation.levels import check_levels


def note(text: str) -> None:
    """Print a line on stderr without disturbing a progress bar."""
    tqdm.write(text, file=sys.stderr)


def say_refused(failed: int, total: int, where: str) -> None:
    """Say how many rows could not be valued. Raises ClickException if there are any."""
    if failed:
        raise click.ClickException(f"{failed} of {total} rows could not be valued: {where}")


def _levels(context: click.Context, parameter: click.Parameter, text: str) -> tuple[float, ...]:
    try:
        return check_levels([float(part) for part in text.split(",")])
    except (ValueError, InputError) as error:
        raise click.BadParameter(f"{text!r}: {error}") from error


levels_option = click.option(
    "--levels",
    default=",".join(str(level) for level in DEFAULT_LEVELS),
    show_default=True,
    callback=_levels,
    help="Levels of the ranges, between 0 and 1, separated by commas.",
)
cluster_option = click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Spread the work over a Dask cluster with this scheduler, tcp://HOST:8786; each worker needs this "
    "version of Bookmatch.",
)
out_option = click.option("--out", type=NEW_FILE, help="Where to; default: stdout.")


@contextmanager
def written(out: Path | None) -> Iterator[IO[str]]:
    """Open the file that a result is written to, or stdout; a file is replaced only once it is complete."""
    if out is None:
        with click.open_file("-", "w", encoding="utf-8") as stream:
            yield stream
        return
    if out.exists() and not out.is_file():  # Pipes and devices cannot be replaced.
        with out.open("w", encoding="utf-8", newline="") as stream:
            yield stream
        return
    if not out.parent.is_dir():
        raise click.BadParameter(f"there is no folder {out.parent}", param_hint="--out")
    aside = out.with_name(f".{out.name}.{os.getpid()}")
    try:
        with aside.open("w", encoding="utf-8", newline="") as stream:
            yield stream
        aside.replace(out)
    finally:
        aside.unlink(missing_ok=True)


@contextmanager
def watched(stream: BinaryIO) -> Iterator[Iterator[bytes]]:
    """Give the lines of a stream; on a terminal, show a progress bar in bytes."""
    name = getattr(stream, "name", None)  # The name of stdin is not the path of a file.
    size = Path(name).stat().st_size if isinstance(name, str) and Path(name).is_file() else None
    with tqdm(total=size, unit="B", unit_scale=True, desc="valuing", disable=None) as bar:

        def lines() -> Iterator[bytes]:
            for line in stream:
                bar.update(len(line))
                yield line

        yield lines()
