"""Print messages of the commands to stderr, and figures on errors and ranges (a study) to stdout."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from models.domain.cells import last_day
from models.domain.evidence import EVIDENCE_COLUMNS
from models.errors import BookmatchError, BundleError, BundleMissingError
from models.tables.table import ignored_columns

if TYPE_CHECKING:
    from models.bundles.places import Store
    from models.domain.catalogue import Catalogue
    from models.valuation.valuer import Valuer
    from training.reading import Reading


T = TypeVar("T")
_MOST_NAMED = 20  # largest number of doubted rows that are told each on a line
_MOST_LISTED = 100  # largest number of ids in a line


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
    """Print on stderr which columns were ignored, and which rows were refused or held out."""
    if reading.ignored_columns:
        note(ignored_columns(reading.ignored_columns, EVIDENCE_COLUMNS))
    for refusal in reading.refused:
        note(f"refused {refusal}")
    if reading.refused:
        refused, used = len(reading.refused), len(reading.rows)
        rows_were = "row was" if refused == 1 else "rows were"
        note(f"{refused} {rows_were} refused, {used} {'is' if used == 1 else 'are'} used")
    if reading.held:
        note(
            f"held out, because a warning on each is neither confirmed nor corrected: {len(reading.held)} "
            f"({_listed(reading.held)}); GET /v1/evidence?warned=true says why"
        )


def tell_doubts(reading: Reading, catalogue: Catalogue, store: Store) -> None:
    """Print on stderr which rows are hard to believe, by the current price model of this store if it has one.

    What somebody confirmed is not told again.
    """
    from models.valuation.plausibility import warnings_of

    valuer = _current_valuer(store)
    rows = [e for e in reading.rows if e.id not in reading.confirmed]
    told = warnings_of(rows, catalogue, last_day(), valuer)
    doubted = [(e, one) for e, one in zip(rows, told, strict=True) if one]
    if doubted:
        note(f"hard to believe, and used: {len(doubted)}; correct them, or take them out of the evidence")
    for e, warnings in doubted[:_MOST_NAMED]:
        note(f"doubted {e.id}: {' | '.join(warning.message for warning in warnings)}")
    if len(doubted) > _MOST_NAMED:
        note(f"and doubted as well: {_listed([e.id for e, _ in doubted[_MOST_NAMED:]])}")


def _current_valuer(store: Store) -> Valuer | None:
    from models.bundles.registry import Registry

    try:
        return Registry(store).load().valuer
    except BundleMissingError:
        return None
    except BundleError as error:
        note(f"no price is held against the current price model, which cannot be read: {error}")
        return None


def _listed(ids: Sequence[str]) -> str:
    more = f" and {len(ids) - _MOST_LISTED} more" if len(ids) > _MOST_LISTED else ""
    return ", ".join(ids[:_MOST_LISTED]) + more


def show_study(found: dict[str, Any], as_json: bool) -> None:
    """Print a study (figures on errors and ranges) on stdout, as JSON or as a table."""
    if as_json:
        click.echo(json.dumps(found, indent=1, ensure_ascii=False))
        return
    from training.study.table import as_text

    click.echo(as_text(found))
