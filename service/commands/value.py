"""`python -m service value`: a stock list valued by a running service, for scripts."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from shutil import copyfileobj
from tempfile import TemporaryFile
from typing import IO, BinaryIO

import click
from tqdm import tqdm

from models.commands.console import A_FILE, examples
from models.commands.options import levels_option, note, out_option, say_refused, written
from models.tables.stocklist import KNOWN_COLUMNS
from models.tables.table import ignored_columns
from service.client import Client, ClientError

KEY = "BOOKMATCH_KEY"


def _key(context: click.Context, parameter: click.Parameter, file: Path | None) -> str:
    key = file.read_text(encoding="utf-8").strip() if file else os.environ.get(KEY, "").strip()
    if not key:
        raise click.BadParameter(f"needed: a file that holds the key, or the key in {KEY}")
    return key


def _address(context: click.Context, parameter: click.Parameter, url: str) -> str:
    if not url.startswith(("http://", "https://")):
        raise click.BadParameter(f"{url!r} is no address; write it as https://HOST")
    return url


@click.command(
    epilog=examples(
        "bookmatch value-over-http stock.csv --url https://values.example.org --key-file key.txt",
        "BOOKMATCH_KEY=… bookmatch value-over-http stock.csv --url https://values.example.org --currency EUR",
    )
)
@click.argument("instruments", type=click.File("rb"))
@click.option(
    "--url",
    required=True,
    callback=_address,
    envvar="BOOKMATCH_URL",
    help="The service; default: BOOKMATCH_URL.",
)
@click.option(
    "--key-file",
    "key",
    type=A_FILE,
    callback=_key,
    help=f"A file that holds the key; default: the key in {KEY}.",
)
@levels_option
@click.option("--date", default="", help="Day of the value, for rows that name none; default: today.")
@click.option("--channel", default="", help="Market of the value, for rows that name none; default: private.")
@click.option("--currency", default="", help="Currency (ISO 4217), for rows that name none; default: USD.")
@out_option
def value(
    instruments: BinaryIO,
    url: str,
    key: str,
    levels: tuple[float, ...],
    date: str,
    channel: str,
    currency: str,
    out: Path | None,
) -> None:
    """Value every instrument of a CSV file by a running service; - reads from stdin.

    Columns of your own are ignored, and named once on stderr: rows keep their id and their order, so that the
    values can be joined to them. The exit code is 1 if a row could not be valued.
    """
    failed = total = 0
    with (
        _in_one_line(),
        Client(url, key) as client,
        _readable_again(instruments) as table,
        written(out) as target,
        tqdm(unit=" rows", desc="valuing", disable=None) as bar,
    ):
        answer = client.value_csv(table, levels=levels, date=date, channel=channel, currency=currency)
        rows = csv.DictReader(_copied(answer, target))
        for row in rows:
            total, failed = total + 1, failed + bool(row["error"])
            bar.update()
    if answer.provisional:
        note(f"the price model {answer.model_version} is provisional: take its values as first estimates")
    if answer.ignored:
        note(ignored_columns(answer.ignored, KNOWN_COLUMNS))
    say_refused(failed, total, "see the column error")


def _copied(lines: Iterable[str], target: IO[str]) -> Iterator[str]:
    for line in lines:
        target.write(line + "\n")
        yield line + "\n"


@contextmanager
def _in_one_line() -> Iterator[None]:
    """Turn an error of the client into an error of the command, printed in one line."""
    try:
        yield
    except ClientError as error:
        raise click.ClickException(str(error)) from error


@contextmanager
def _readable_again(stream: BinaryIO) -> Iterator[BinaryIO]:
    """Return the stream, or a copy if it is not seekable, because a list that breaks off is sent again."""
    if stream.seekable():
        yield stream
        return
    with TemporaryFile() as copy:
        copyfileobj(stream, copy)
        yield copy
