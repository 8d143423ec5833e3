"""The woven nature: each of its interactions by hand-made specimens, and an additive market without any."""

from __future__ import annotations

import math

import numpy as np
import pytest
from markets import log_of, market, specimen

from models.domain.vocabulary import CHANNEL_NAMES
from training.demo.files import truth_cells
from training.demo.market import Market

_FAMOUS, _MODERN, _WORN = 3, 3, 4


@pytest.fixture(scope="module")
def woven() -> Market:
    return market(2, 500, "woven")


@pytest.fixture(scope="module")
def additive() -> Market:
    return market(2, 500, "additive")


def _worth_of_fame(m: Market, model: int, edition: int) -> float:
    at = {"edition": edition}
    return log_of(m, {**at, "provenance_history": _FAMOUS}, model) - log_of(m, at, model)


def test_history_is_worth_more_the_fewer_the_edition_has(woven: Market, additive: Market) -> None:
    seen = []
    for k, model in enumerate(woven.truth.world.models):
        assert _worth_of_fame(woven, k, -1) == pytest.approx(0.45)
        for at, edition in enumerate(model.editions):
            seen.append((edition.recorded, _worth_of_fame(woven, k, at)))
            assert _worth_of_fame(additive, k, at) == pytest.approx(0.45)
    worths = [round(worth, 9) for _, worth in sorted(seen)]
    assert worths == sorted(worths, reverse=True)
    assert worths[0] > 0.7 and worths[-1] == pytest.approx(0.45)


def _at_a_dealers(m: Market, changes: dict[str, int]) -> float:
    """The log of the factor by which a dealer's price exceeds a private seller's."""
    one, day = specimen(m, changes), np.array([730000])
    dealer, private = (
        m.truth.log_value(one, day, np.array([CHANNEL_NAMES.index(name)]))[0]
        for name in ("dealer", "private")
    )
    return float(dealer - private)


def test_a_dealer_gets_more_for_a_clean_one(woven: Market, additive: Market) -> None:
    broken = {"condition_structure": 4}
    assert _at_a_dealers(woven, {}) == pytest.approx(0.20)
    assert _at_a_dealers(woven, broken) == pytest.approx(0.10 + 0.10 * math.exp(-0.85 / 0.2))
    assert _at_a_dealers(additive, broken) == pytest.approx(_at_a_dealers(additive, {}))


def _cost(m: Market, model: int, field: str, step: int, **base: int) -> float:
    return log_of(m, base, model) - log_of(m, {**base, field: step}, model)


def test_a_semi_hollow_is_spared_wear_of_top_and_back_only(woven: Market, additive: Market) -> None:
    bodies = [model.named.body for model in woven.truth.world.models]
    semi, solid = bodies.index("semi"), bodies.index("solid")
    for field, share in (("condition_top", 0.4), ("condition_back", 0.4), ("condition_neck", 1.0)):
        whole = _cost(woven, solid, field, _WORN)
        assert _cost(woven, semi, field, _WORN) == pytest.approx(share * whole)
        assert _cost(additive, semi, field, _WORN) == pytest.approx(whole)


def test_changed_parts_cost_more_on_early_ones(woven: Market, additive: Market) -> None:
    model = woven.truth.world.models[0]
    for m, first, last in ((woven, 1.5, 0.5), (additive, 1.0, 1.0)):
        costs = [
            _cost(m, 0, "originality_tuners", _MODERN, year=year)
            for year in (model.first_year, model.last_year)
        ]
        assert costs == pytest.approx([0.09 * first, 0.09 * last])


def test_what_a_dealer_gets_for_a_clean_one_is_the_markets_in_the_truth_that_is_written(
    woven: Market,
) -> None:
    _, rows = truth_cells(woven)
    events = woven.events
    plain = woven.truth.log_market(events.specimens["model"], events.day, events.channel)
    beyond = np.array([float(row["log_market"]) for row in rows]) - plain
    dealers = events.channel == CHANNEL_NAMES.index("dealer")
    assert np.abs(beyond[~dealers]).max() < 1e-8
    assert beyond[dealers].min() > -1e-8 and beyond[dealers].max() == pytest.approx(0.10)
