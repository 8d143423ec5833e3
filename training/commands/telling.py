"""Print messages of the commands to stderr, and figures on errors and ranges (a study) to stdout."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from models.domain.evidence import EVIDENCE_COLUMNS
from models.errors import BookmatchError
from models.tables.table import ignored_columns

if TYPE_CHECKING:
    from training.reading import Reading


T = TypeVar("T")


def read_text(file: Path, read: Callable[[str], T]) -> T:
    """Read a file that people write. Raises BookmatchError that names it and says what is wrong."""
    try:
        return read(file.read_text(encoding="utf-8"))
    except UnicodeDecodeError as error:
        raise BookmatchError(f"{file}: is not UTF-8 at byte {error.start}; save it as UTF-8") from error
    except BookmatchError as error:
        raise BookmatchError(f"{file}: {error}") from error


def note(text: str) -> None:
    """Print a message on stderr."""
    click.echo(text, err=True)


def tell(reading: Reading) -> None:
    """Print on stderr which columns were ignored and which rows were refused."""
    if reading.ignored_columns:
        note(ignored_columns(reading.ignored_columns, EVIDENCE_COLUMNS))
    for refusal in reading.refused:
        note(f"refused {refusal}")
    if reading.refused:
        refused, used = len(reading.refused), len(reading.rows)
        rows_were = "row was" if refused == 1 else "rows were"
        note(f"{refused} {rows_were} refused, {used} {'is' if used == 1 else 'are'} used")


def show_study(found: dict[str, Any], as_json: bool) -> None:
    """Print a study (figures on errors and ranges) on stdout, as JSON or as a table."""
    if as_json:
        click.echo(json.dumps(found, indent=1, ensure_ascii=False))
        return
    from training.study.table import as_text

    click.echo(as_text(found))
