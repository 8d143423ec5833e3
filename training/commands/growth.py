"""`python -m training evaluate --growth`: show how error and range narrow with more records."""

import json
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import click
from joblib import cpu_count

from models.bundles.bundle import Bundle
from models.domain.evidence import Evidence
from models.errors import BookmatchError
from models.practice import NO_PRACTICE, SHIPPED, Practice, read_practice
from models.price.instruments.model import GuitarModel
from models.study.judge import only_sales
from training.card.contents import plain
from training.growth import measure
from training.growth.report import report
from training.growth.text import lines
from training.release import fit_for_backtest

_LEAST = 2 * measure.LEAST


def practice_of(bundle: Bundle) -> Practice:
    """Return the rules of common practice that a bundle was fitted with; no rules if it keeps none."""
    if SHIPPED.name not in bundle.manifest["files"]:
        return NO_PRACTICE
    return read_practice(bundle.file(SHIPPED.name).decode())


def grown(bundle: Bundle, holdout: Sequence[Evidence] = (), *, jobs: int = 1) -> dict[str, Any]:
    """Report what more records would bring to a bundle, from the evidence that it keeps.

    Raises BookmatchError for a bundle that keeps no sales or whose model cannot say what it does not know.
    """
    valuer = bundle.valuer
    if not isinstance(valuer.model, GuitarModel):
        raise BookmatchError(f"bundle {bundle.version}: its model does not say what it does not know")
    rows = measure.rows_of(valuer.snapshot)
    if not only_sales(rows):
        raise BookmatchError(
            f"bundle {bundle.version} keeps no evidence; fit it again with this version, which keeps it"
        )
    seed = int(bundle.manifest["about"].get("seed", 0))
    market = measure.GrowthRecords(rows, valuer.catalogue, valuer.rates, seed)
    fit = partial(fit_for_backtest, practice=practice_of(bundle))
    trials = measure.run(market, fit, holdout, jobs=jobs)
    standing = {"version": bundle.version, "provisional": valuer.provisional}
    return {**standing, **report(valuer.model, rows, trials, holdout)}


def show(
    bundle: Bundle, holdout: Sequence[Evidence], jobs: int | None, picture: Path | None, as_json: bool
) -> None:
    """Print what more records would bring, and draw it to the file `picture`. Raises BookmatchError."""
    found = plain(grown(bundle, holdout, jobs=jobs or cpu_count()))
    text = json.dumps(found, indent=1, ensure_ascii=False) if as_json else "\n".join(lines(found))
    click.echo(text)
    if picture is not None:
        write_picture(found, picture)


def write_picture(found: dict[str, Any], file: Path) -> None:
    """Draw the report as SVG. Raises BookmatchError for an empty report or a file that cannot be written."""
    from training.card.charts.growth import growth_picture

    if not found["past"]:
        raise BookmatchError(f"{file}: there is nothing to draw with fewer than {_LEAST} sales")
    try:
        file.write_text(growth_picture(found), encoding="utf-8")
    except OSError as error:
        raise BookmatchError(f"{file}: cannot be written: {error.strerror}") from error
