"""Resale prices by the distribution of the price model: its ends, its mean, and its chances."""

from __future__ import annotations

import math
from datetime import date
from statistics import NormalDist

import numpy as np
import pytest

from models.decisions.resale import LEAST_CHANCE, LEVELS, PRICES, Resale, months_after, resale_of
from models.price.interface import Estimate

CENTER, SD = 8.0, 0.25


def normal() -> Estimate:
    """A log price that is normal, by its ranges."""
    low = np.array([[NormalDist(CENTER, SD).inv_cdf((1 - level) / 2) for level in LEVELS]])
    return Estimate(np.array([CENTER]), low, 2 * CENTER - low, ())


@pytest.fixture
def resale() -> Resale:
    return resale_of(normal(), 0, CENTER, 1.0)


def test_prices_ascend_and_the_median_is_the_value(resale: Resale) -> None:
    assert len(resale.prices) == PRICES
    assert (np.diff(resale.prices) >= 0).all()
    assert float(np.median(resale.prices)) == pytest.approx(math.exp(8), rel=1e-6)


def test_the_mean_of_normal_log_prices_is_the_median_times_half_the_variance(resale: Resale) -> None:
    """exp(μ + σ²/2); the half per cent at each end counts as the end, which takes off little."""
    assert resale.mean == pytest.approx(math.exp(CENTER + SD**2 / 2), rel=1e-3)
    assert resale.mean > math.exp(CENTER) * 1.03


@pytest.mark.parametrize("chance", [0.02, 0.1, 0.2, 0.37, 0.8])
def test_chances_are_those_of_the_distribution(resale: Resale, chance: float) -> None:
    price = math.exp(NormalDist(CENTER, SD).inv_cdf(chance))
    assert resale.below(price) == pytest.approx(chance, abs=1.5 / PRICES)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.9])
def test_so_many_prices_lie_in_a_range_as_the_range_promises(resale: Resale, level: float) -> None:
    k = LEVELS.index(level)
    low, high = math.exp(normal().low[0, k]), math.exp(normal().high[0, k])
    assert ((low <= resale.prices) & (resale.prices <= high)).mean() == pytest.approx(level, abs=1 / PRICES)


def test_a_skewed_distribution_keeps_its_skew() -> None:
    found = normal()
    skewed = Estimate(found.center, found.center[:, None] + 2 * (found.low - CENTER), found.high, ())
    own = resale_of(skewed, 0, CENTER, 1.0)
    assert own.below(math.exp(CENTER - 2 * SD)) == pytest.approx(NormalDist().cdf(-1), abs=2 / PRICES)
    assert own.mean < resale_of(found, 0, CENTER, 1.0).mean


def test_nothing_is_known_beyond_the_widest_range(resale: Resale) -> None:
    ends = [math.exp(NormalDist(CENTER, SD).inv_cdf(p)) for p in (LEAST_CHANCE, 1 - LEAST_CHANCE)]
    assert [resale.prices[0], resale.prices[-1]] == pytest.approx(ends, rel=1e-9)


def test_prices_are_moved_to_another_level_and_currency() -> None:
    own = resale_of(normal(), 0, CENTER + 1, 1.25)
    assert float(np.median(own.prices)) == pytest.approx(math.exp(9) / 1.25, rel=1e-6)
    assert own.around(100.0).mean == pytest.approx(100.0)


def test_months_are_twelfths_of_a_year() -> None:
    assert months_after(date(2026, 1, 1), 0) == date(2026, 1, 1)
    assert months_after(date(2026, 1, 1), 12) == date(2027, 1, 1)
    assert months_after(date(2026, 1, 1), 6) == date(2026, 7, 3)  # 182.625 days
