"""Reads, fits and values a field in whichever copy of the sources stands first in the path; prints JSON.

Standard input: {"path", "effects": [[answer, log effect], …]}.
"""

from __future__ import annotations

import csv
import io
import json
import math
import sys
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

import models
from models.domain.catalogue import read_catalogue
from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import BY_PATH
from models.insights.questions import questions
from models.insights.sentences import explanation
from models.price.instruments.model import read_model
from models.valuation.valuer import Valuer
from training.demo.world.natures import NATURES
from training.demo.world.specimens import draw_specimens
from training.demo.world.truth import Truth
from training.demo.world.workshops import make_world
from training.fit import fit_model
from training.rates import load_rates
from training.reading import read_evidence

MAKER, MODEL, DAY = "Ostvik", "Dal", date(2024, 6, 3)
CATALOGUE = f'[[model]]\nmaker = "{MAKER}"\nname = "{MODEL}"\nfirst_year = 1962\nlast_year = 1974\n'
SALES, NOISE = 60, 0.03
Effects = Sequence[tuple[str | float, float]]


def sales(flat: str, effects: Effects) -> str:
    """A CSV file of sales: each answer in turn at its own price, then one whose field is blank."""
    rng, out = np.random.default_rng(1), io.StringIO()
    table = csv.writer(out)
    table.writerow(["id", "kind", "date", "price", "currency", "channel", "maker", "model", flat])
    for at in range(SALES):
        answer, effect = [*effects, ("", 0.0)][at % (len(effects) + 1)]
        price = f"{2000 * math.exp(effect + rng.normal(0.0, NOISE)):.2f}"
        day = DAY - timedelta(days=10 * (SALES - at))
        table.writerow([f"S{at}", "sale", day, price, "USD", "private", MAKER, MODEL, answer])
    return out.getvalue()


def valuer_of(evidence: str) -> Valuer:
    catalogue, rates = read_catalogue(CATALOGUE), load_rates()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "evidence.csv"
        path.write_text(evidence, encoding="utf-8")
        reading = read_evidence(path, catalogue, rates, progress=False)
    assert len(reading.rows) == SALES, reading
    fitted = fit_model(reading.rows, catalogue, rates, progress=False).model
    model = read_model(fitted.to_files(), catalogue)
    return Valuer(model, catalogue, rates, "copy", EvidenceSnapshot.of(reading.rows))


def valued(valuer: Valuer, it: Instrument, path: str) -> dict[str, Any]:
    """The value, what the attribution says of the field, and all lines of the explanation."""
    found = valuer.value(Subject(it, DAY, "private"))
    factors = [
        {
            "family": family.family,
            "amount": str(factor.amount),
            "effect": factor.effect,
            "reference": factor.reference,
        }
        for family in found.families
        for factor in family.factors
        if factor.field == path
    ]
    lines = [line for _, line in explanation(found, {})]
    return {"value": str(found.value), "factors": factors, "lines": lines}


def demo(flat: str) -> dict[str, float]:
    """Tell the values that a demo market draws of the field, its reference value and its effect."""
    world = make_world(1)
    truth, drawn = Truth(world, NATURES["house"]), draw_specimens(world, np.random.default_rng(1), 200)
    effects = truth.effects(drawn)[flat]
    return {
        "least": float(drawn[flat].min()),
        "reference": float(truth.reference(drawn["model"])[flat][0]),
        "most": float(drawn[flat].max()),
        "span": float(np.ptp(effects)),
    }


def main() -> None:
    given = json.load(sys.stdin)
    path, effects = given["path"], given["effects"]
    flat = BY_PATH[path].flat
    group, _, name = path.rpartition(".")
    blank = {"maker": MAKER, "model": MODEL}
    nested = [{**blank, **({group: {name: a}} if group else {name: a})} for a, _ in effects]
    read = [Instrument.from_nested(form) for form in nested]
    valuer = valuer_of(sales(flat, effects))
    nothing = Instrument.from_nested(blank)
    asked = questions(valuer, Subject(nothing, DAY, "private"), among=[path])
    found = {
        "home": str(Path(models.__file__).parents[1]),
        "json": [it.to_nested() for it in read],
        "csv": [Instrument.from_flat(it.to_flat()).to_nested() for it in read],
        "sent": nested,
        "valued": [valued(valuer, it, path) for it in read],
        "blank": valued(valuer, nothing, path),
        "how": [question.how for question in asked],
        "demo": demo(flat),
    }
    json.dump(found, sys.stdout)


if __name__ == "__main__":
    main()
