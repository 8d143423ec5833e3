"""The range of a specimen with a blank holds the prices that its answers would bring, by the model itself.

A blank is answered by the frequencies that the bundle knows. The price of an answered specimen is its value
plus its own scale times one of the left-out residuals. All answers and all residuals are gone through: no
figure here is left to chance.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from demo_model import demo_model
from numpy.typing import NDArray

from models.bundles.registry import Registry
from models.domain.instrument import Instrument, Subject, Value
from models.domain.vocabulary import BY_FLAT, FIELDS
from models.insights.answers import likely_answers
from models.price.instruments.model import GuitarModel
from models.valuation.valuer import Valuer

Floats = NDArray[np.float64]
LEVEL = 0.8
DAY = date(2025, 1, 15)
LEVEL_FIELDS = (
    "year",
    "finish",
    "figure",
    "weight_kg",
    "provenance_history",
    "provenance_paperwork",
    "provenance_case",
)
LOSS_FIELDS = tuple(f.flat for f in FIELDS if f.loss_ordered)


@pytest.fixture(scope="module")
def valuer(demo_store: Path) -> Valuer:
    return Registry(demo_store).load().valuer


@pytest.fixture(scope="module")
def model(demo_store: Path) -> GuitarModel:
    return demo_model(demo_store)


def coverage(model: GuitarModel, asked: Subject, flat: str, answers: list[tuple[Value, float]]) -> float:
    """The share of the answered prices that the range of the blank holds; chances sum to 1."""
    assert sum(chance for _, chance in answers) == pytest.approx(1)
    spread = model.core.spread
    assert spread is not None and asked.instrument.get(BY_FLAT[flat]) is None
    blank = model.estimate([asked], [LEVEL])
    told = [asked.but(**{flat: value}) for value, _ in answers]
    each = model.estimate(told, [LEVEL])
    (below,), (above,) = spread.ends([LEVEL])
    scale = (each.high - each.low)[:, 0] / (above - below)
    prices = each.center[:, None] + scale[:, None] * spread.shape
    inside = ((prices >= blank.low[0, 0]) & (prices <= blank.high[0, 0])).mean(axis=1)
    return float(inside @ np.array([chance for _, chance in answers]))


def by_model(model: GuitarModel, flat: str, valuer: Valuer) -> Floats:
    """The coverage of every model's reference specimen with this field blank, where it has answers."""
    found = []
    for m in model.catalogue.models:
        if flat == "figure" and m.figured_top is False:
            continue  # a plain top is known to be plain
        start = Subject(Instrument(m.maker, m.name), DAY, "dealer")
        asked = model.reference(start).but(**{flat: None})
        if flat in LEVEL_FIELDS:
            key = f"{m.maker.casefold()}|{m.name.casefold()}"
            answers = [(a[0], a[1]) for a in model.typical[key].answers[flat]]
        else:
            likely = likely_answers(valuer.snapshot, m, asked.instrument, BY_FLAT[flat])
            answers = [(a.value, a.chance) for a in likely]
        if answers:
            found.append(coverage(model, asked, flat, answers))
    return np.array(found)


def said(model: GuitarModel, flat: str, valuer: Valuer) -> float:
    """The mean over all models, printed with the ends."""
    found = by_model(model, flat, valuer)
    ends = f"{found.min():.1%} to {found.max():.1%}"
    print(f"{flat}: 80% range holds {found.mean():.1%} over {len(found)} models, {ends}")
    assert len(found) >= 20
    return float(found.mean())


@pytest.mark.parametrize("flat", LEVEL_FIELDS)
def test_the_range_of_a_specimen_with_a_blank_of_its_level_holds_its_share(
    model: GuitarModel, valuer: Valuer, flat: str
) -> None:
    assert 0.76 <= said(model, flat, valuer) <= 0.86


@pytest.mark.parametrize("flat", LOSS_FIELDS)
def test_the_range_of_a_specimen_with_a_blank_loss_holds_its_share(
    model: GuitarModel, valuer: Valuer, flat: str
) -> None:
    assert 0.76 <= said(model, flat, valuer) <= 0.86


def test_the_range_of_a_specimen_whose_number_is_blank_holds_its_share(model: GuitarModel) -> None:
    """Numbers of an edition are all as likely as each other: every tenth of them is gone through."""
    found = []
    for m in model.catalogue.models:
        for edition in m.editions:
            if not edition.numbered or not edition.production_total:
                continue
            start = Subject(Instrument(m.maker, m.name), DAY, "dealer")
            asked = model.reference(start).but(edition=edition.name)
            count = min(edition.production_total, 40)
            numbers = {round((n + 0.5) / count * edition.production_total + 0.5) for n in range(count)}
            answers: list[tuple[Value, float]] = [(n, 1 / len(numbers)) for n in sorted(numbers)]
            found.append(coverage(model, asked, "edition_number", answers))
    print(
        f"edition_number: 80% range holds {np.mean(found):.1%} over {len(found)} editions, {min(found):.1%}"
    )
    assert len(found) > 5
    assert 0.76 <= np.mean(found) <= 0.86
