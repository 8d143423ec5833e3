"""The demo market: the numbers it promises, its truth, and the facts of the trade that hold in it."""

from __future__ import annotations

import math
from collections import Counter
from datetime import date
from statistics import fmean
from typing import Any

import numpy as np
import pytest
from markets import market
from numpy.typing import NDArray

from models.domain.contradictions import contradictions
from models.domain.names import normal_serial
from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, Family
from training.demo.market import Market, make_market
from training.demo.trade.slips import SLIPS
from training.demo.world.natures import ORIGINALITY_COST, WEAR_COST
from training.demo.world.workshops import EVIDENCE_ENDS, MARKET_OPENS, make_world

# ── the numbers ──────────────────────────────────────────────────────────────


def test_it_has_the_makers_models_and_editions_it_promises() -> None:
    catalogue = market().catalogue
    assert len(catalogue.makers) >= 9
    assert len(catalogue.models) >= 40
    editions = [edition for model in catalogue.models for edition in model.editions]
    assert len(editions) >= 40
    assert sum(bool(edition.numbered) for edition in editions) >= 10
    assert catalogue.ignored == ()


def test_some_commemorative_marks_lower_the_price() -> None:
    effects = [e.effect for m in make_world(0).models for e in m.editions if e.named.marked]
    assert len(effects) >= 5 and max(effects) < 0


def test_it_has_the_sales_askings_and_offers_it_promises_over_twelve_years_and_four_channels() -> None:
    rows = market().evidence
    assert Counter(row.kind for row in rows) == {"sale": 3000, "asking": 4000, "offer": 600}
    days = [row.day for row in rows]
    assert min(days) >= MARKET_OPENS and max(days) <= EVIDENCE_ENDS
    assert (max(days) - min(days)).days > 11.8 * 365
    assert {row.channel for row in rows if row.kind == "sale"} == set(CHANNEL_NAMES)
    assert len({row.currency for row in rows}) >= 3
    assert len({row.id for row in rows}) == len(rows)


def test_later_sales_come_after_the_evidence_and_before_today() -> None:
    later = market().holdout
    assert len(later) >= 300 and {row.kind for row in later} == {"sale"}
    assert all(EVIDENCE_ENDS < row.day < date(2026, 7, 1) for row in later)
    assert len(market().stock) == 40


def test_prices_span_a_few_hundred_fold() -> None:
    prices = sale_prices(market())
    assert 200 < prices.max() / prices.min() < 1000


def test_about_a_fifth_of_the_fields_is_unknown_more_in_some_channels_and_years_and_in_bursts() -> None:
    families = (Family.CONDITION, Family.ORIGINALITY, Family.PROVENANCE)
    fields = [f for f in FIELDS if f.family in families]
    rows = market().evidence
    unknown = np.array([fmean(row.instrument.get(f) is None for f in fields) for row in rows])
    assert unknown.mean() == pytest.approx(0.2, abs=0.04)
    by_channel = [unknown[[row.channel == c for row in rows]].mean() for c in CHANNEL_NAMES]
    assert max(by_channel) > 1.5 * min(by_channel)
    early, late = (
        unknown[[row.day.year in years for row in rows]].mean() for years in ((2014, 2015), (2024, 2025))
    )
    assert early > late + 0.03
    # Left out one by one at random, 24 fields would spread like a binomial count.
    assert unknown.std() > 2 * math.sqrt(0.2 * 0.8 / len(fields))


def test_wear_of_the_parts_goes_together() -> None:
    wear = np.array([market().events.specimens[part] for part in WEAR_COST], dtype=np.float64)
    correlations = np.corrcoef(wear)[np.triu_indices(len(wear), 1)]
    assert correlations.min() > 0.3 and correlations.max() < 0.95


def test_the_noise_has_heavy_tails() -> None:
    noise = sale_noise(market(0, 3000, "additive"))
    spread = 1.4826 * np.median(np.abs(noise - np.median(noise)))  # a normal distribution's sd
    # A normal distribution has 0.27% beyond three sd, and 0.5% of the sales are outliers by design.
    assert np.mean(np.abs(noise) > 3 * spread) > 2 * (0.0027 + 0.005)


def test_askings_stand_above_value_and_offers_below() -> None:
    m = market()
    gap = m.events.log_price - m.events.log_value
    ask = np.exp(gap[m.events.kind == 1]) - 1
    assert 0.1 < np.median(ask) < 0.5 and np.mean(ask > 0) > 0.8
    assert 0.02 < np.mean(ask > 0.9) < 0.08  # some ask two or three times the value
    by_channel = [np.median(gap[(m.events.kind == 1) & (m.events.channel == c)]) for c in range(4)]
    assert max(by_channel) - min(by_channel) > 0.05
    assert np.median(gap[m.events.kind == 2]) < -0.1


def test_the_market_moves_and_makers_drift_apart() -> None:
    world = make_world(0)
    assert np.ptp(world.index) > 0.15
    assert np.abs(world.drifts).max() > 0.03


def test_some_specimens_contradict_the_catalogue() -> None:
    m = market()
    found = Counter(c.code for row in m.evidence for c in contradictions(m.catalogue, row.instrument))
    assert set(found) == {
        "year_outside_production",
        "year_outside_edition",
        "finish_not_offered",
        "edition_number_above_total",
    }
    assert sum(found.values()) < 0.05 * len(m.evidence)


def test_prototypes_custom_orders_and_repeated_specimens_occur() -> None:
    sales = [row for row in market().evidence if row.kind == "sale"]
    builds = Counter(row.instrument.build for row in sales)
    assert builds["prototype"] > 40 and builds["custom_order"] > 40
    specimens: dict[tuple[str, ...], list[Any]] = {}
    for row in sales:
        it = row.instrument
        if it.serial:
            specimens.setdefault((it.maker, it.model, normal_serial(it.serial)), []).append(row)
    again = [rows for rows in specimens.values() if len(rows) > 1]
    assert len(again) > 40
    parts = [f.flat for f in FIELDS if f.flat in ORIGINALITY_COST]
    known = [(getattr(a.instrument, p), getattr(b.instrument, p)) for a, b, *_ in again for p in parts]
    assert any(x == "original" and y == "modern" for x, y in known)


def test_a_few_sales_are_recorded_wrong_and_only_tests_know() -> None:
    m = market()
    assert Counter(m.slips.values()) == dict.fromkeys(SLIPS[1:], 3)
    rows = {row.id: row for row in m.evidence}
    for slip in m.slips:
        row, value = rows[slip], math.exp(m.log_value[slip])
        usd = float(row.price) * m.rates.usd_per(row.currency, row.day)
        doubles = [
            r for r in m.evidence if (r.day, r.price, r.instrument) == (row.day, row.price, row.instrument)
        ]
        assert not 1 / 3 < usd / value < 3 or len(doubles) == 2


# ── determinism ──────────────────────────────────────────────────────────────


def test_the_same_seed_gives_the_same_market_and_another_seed_another() -> None:
    a, b, c = make_market(5, 200), make_market(5, 200), make_market(6, 200)
    assert (a.evidence, a.holdout, a.stock, a.catalogue_toml) == (
        b.evidence,
        b.holdout,
        b.stock,
        b.catalogue_toml,
    )
    assert np.array_equal(a.events.log_value, b.events.log_value)
    assert a.catalogue_toml != c.catalogue_toml


def test_the_world_does_not_depend_on_the_number_of_sales() -> None:
    assert make_market(5, 200).catalogue_toml == make_market(5, 400).catalogue_toml
    models = np.arange(45)
    one, other = (make_market(5, n).truth for n in (200, 400))
    assert np.array_equal(
        one.log_specimen(one.reference(models)), other.log_specimen(other.reference(models))
    )


@pytest.mark.parametrize(("how", "says"), [({"nature": "odd"}, "house"), ({"sales": 0}, "1 or more")])
def test_wrong_use_names_what_is_allowed(how: Any, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        make_market(0, **how)


# ── helpers ──────────────────────────────────────────────────────────────────


def sale_prices(m: Market) -> NDArray[np.float64]:
    slipped = set(m.slips)
    return np.array(
        [
            float(row.price) * m.rates.usd_per(row.currency, row.day)
            for row in m.evidence
            if row.kind == "sale" and row.id not in slipped
        ]
    )


def sale_noise(m: Market) -> NDArray[np.float64]:
    sales = m.events.kind == 0
    return np.asarray((m.events.log_price - m.events.log_value)[sales])
