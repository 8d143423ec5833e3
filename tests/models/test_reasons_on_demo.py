"""Reasons held against the demo market, whose truth is known: 3,000 sales, and the later ones kept out."""

from __future__ import annotations

import math
from pathlib import Path
from statistics import median

import numpy as np
import pytest

from models.bundles.registry import Registry
from models.domain.instrument import Subject
from models.domain.vocabulary import BY_FLAT, BY_PATH, FIELDS, Family
from models.insights.alternatives import alternatives
from models.insights.comparables import comparables
from models.insights.questions import LEVEL, questions
from models.price.interface import FACTORS, FAMILY_OF, Assessment
from models.valuation.unsaid import unknown_fields
from models.valuation.valuer import Valuer
from training.demo.market import Market, make_market


@pytest.fixture(scope="module")
def market() -> Market:
    """The market of the `demo_store`, with its truth; the first test sees that it is the same one."""
    return make_market(0, 3000, "house")


@pytest.fixture(scope="module")
def valuer(demo_store: Path) -> Valuer:
    return Registry(demo_store).load().valuer


@pytest.fixture(scope="module")
def assessed(valuer: Valuer, market: Market) -> Assessment:
    return valuer.model.assess([e.subject for e in market.holdout], [LEVEL])


def test_the_bundle_holds_the_evidence_it_was_fitted_on_and_nothing_later(valuer: Valuer, market: Market):
    kept = {e.id for e in valuer.snapshot.evidence(range(len(valuer.snapshot)))}
    assert len(kept) > 0.95 * len(market.evidence)
    assert not kept & {e.id for e in market.holdout}
    assert kept <= {e.id for e in market.evidence}


@pytest.mark.parametrize(
    ("family", "correlation", "error"),
    [(Family.CONDITION, 0.97, 0.03), (Family.ORIGINALITY, 0.97, 0.03), (Family.RARITY, 0.93, 0.05)],
)
def test_a_familys_effect_is_the_true_one_where_its_fields_are_known(
    assessed: Assessment, market: Market, family: Family, correlation: float, error: float
) -> None:
    place = {id: at for at, id in enumerate(market.ids)}
    rows = [place[e.id] for e in market.holdout]
    true = sum(market.effects[flat][rows] for flat in market.effects if BY_FLAT[flat].family == family)
    own = assessed.effects[:, [FAMILY_OF[f] == family for f in FACTORS]].sum(axis=1)
    known = np.array([_knows(market, e.subject, family) for e in market.holdout])
    assert known.sum() > 100
    assert np.corrcoef(own[known], true[known])[0, 1] >= correlation
    assert np.abs(own[known] - true[known]).mean() <= error


def _knows(market: Market, subject: Subject, family: Family) -> bool:
    it = subject.instrument
    unknown = unknown_fields(it, market.catalogue.find(it.maker, it.model))
    return not any(BY_PATH[path].family == family for path in unknown)


def test_adjusting_a_comparable_brings_it_nearer_and_together_they_come_near_the_model(
    valuer: Valuer, market: Market
) -> None:
    nearer, sales, reconciled, model = 0, 0, [], []
    for e in market.holdout[::2]:
        found = comparables(valuer, e.subject, beside=0)
        paid = float(e.price) * market.rates.usd_per(e.currency, e.day)
        for c in found.sales:
            sales += 1
            nearer += abs(c.grid.adjusted - found.value) < abs(c.grid.price - found.value)
        if found.reconciled is not None:
            reconciled.append(abs(float(found.reconciled) / paid - 1))
            model.append(abs(float(found.value) / paid - 1))
    print(f"nearer {nearer / sales:.4f}; median error {median(reconciled):.4f}, model's {median(model):.4f}")
    assert sales > 1200
    assert nearer / sales >= 0.9
    # Not a target but a sign of health: sales and model tell much the same story.
    assert median(reconciled) < 1.25 * median(model)


def test_a_grid_adjusts_by_exactly_what_the_model_says_lies_between_the_two(
    valuer: Valuer, market: Market
) -> None:
    for e in market.holdout[:40]:
        found = comparables(valuer, e.subject, count=4, beside=2)
        for c in (*found.sales, *found.beside):
            sold = Subject(c.instrument, c.day, c.channel)
            here, there = valuer.model.center([valuer.canonical(e.subject), sold])
            expected = float(c.grid.price) * math.exp(here - there)
            lines = len(c.grid.market) + len(c.grid.lines)
            assert abs(float(c.grid.adjusted) - expected) <= 0.01 * (lines + 1)


def test_alternatives_are_sure_of_what_many_sales_say_and_less_of_what_few_do(
    valuer: Valuer, market: Market
) -> None:
    base = market.holdout[0].subject.but(condition_neck=1.0, build="production")
    worn, prototype, same = alternatives(
        valuer, base, [{"condition.neck": 2.0}, {"build": "prototype"}, {"condition.neck": 1.0}], levels=[0.8]
    )
    widths = [a.difference_intervals[0].high - a.difference_intervals[0].low for a in (worn, prototype)]
    assert 0 < widths[0] < widths[1]
    assert worn.difference < 0 < prototype.difference
    assert same.difference == 0
    assert widths[0] < worn.intervals[0].high - worn.intervals[0].low


def test_what_it_asks_for_narrows_the_range_more_than_what_chance_would_ask_for(
    valuer: Valuer, market: Market
) -> None:
    rng = np.random.default_rng(11)
    askable = [
        f for f in FIELDS if f.path not in ("maker", "model", "serial", "edition", "edition_number", "build")
    ]
    named, chance = [], []
    for e in market.holdout[::3]:
        it = e.instrument
        known = [f for f in askable if it.get(f) is not None]
        if len(known) < 8:
            continue
        hidden = [known[k] for k in rng.choice(len(known), 8, replace=False)]
        base = Subject(it.but(**{f.flat: None for f in hidden}), e.day, e.channel)
        asked = questions(valuer, base, among=[f.path for f in hidden])
        drawn = [hidden[k] for k in rng.choice(8, 3, replace=False)]
        told = base.but(**{BY_PATH[q.field].flat: it.get(BY_PATH[q.field]) for q in asked})
        completed = base.but(**{f.flat: it.get(f) for f in drawn})
        found = valuer.model.estimate([base, told, completed], [LEVEL])
        width = (found.high - found.low)[:, 0]
        named.append(width[0] - width[1])
        chance.append(width[0] - width[2])
    print(f"{len(named)} specimens: narrowing named {np.mean(named):.4f}, drawn {np.mean(chance):.4f}")
    assert len(named) > 100
    assert np.mean(named) >= 1.5 * np.mean(chance) > 0
