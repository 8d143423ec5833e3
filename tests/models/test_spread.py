"""The spread of prices around their value: its scale and its quantiles, by hand."""

from __future__ import annotations

import json
import math
from itertools import pairwise

import numpy as np
import pytest

from models.price.core.spread import Moments, Noise, Spread, read_spread

NOISE = Noise(math.log(0.04), {"channel": {"auction": math.log(4.0)}}, (0.0, 0.0), 8.0, 0.5)


def spread(shape: list[float], noise: Noise = NOISE) -> Spread:
    return Spread(
        noise,
        1.5,
        {"neck": Moments(0.02, -0.001)},
        2010.0,
        2020.0,
        0.01,
        np.array(shape, dtype=np.float64),
    )


def scale(
    posterior: float = 0.0,
    unknown: float = 0.0,
    mixture: float = 0.0,
    time: float = 2015.0,
    noise: float = 0.04,
) -> float:
    parts = (np.array([x]) for x in (noise, posterior, unknown, mixture, time))
    return float(spread([0.0]).scale(*parts)[0])


@pytest.mark.parametrize(("p", "least"), [(0.8, 4), (0.9, 9), (0.95, 19), (0.99, 99)])
def test_the_smallest_samples_that_have_a_quantile(p: float, least: int) -> None:
    """k = ⌈(n + 1)p⌉ ≤ n first at n = 4, 9, 19, 99 (Lei et al. 2018); below, the largest is stretched."""
    level = 2 * p - 1
    assert spread([float(n) for n in range(1, least + 1)]).ends([level])[1].tolist() == [least]
    few = least - 1
    assert spread([float(n) for n in range(1, few + 1)]).ends([level])[1][0] > few


def test_quantiles_are_the_kth_smallest_on_either_side() -> None:
    nine = spread([-10, -3, -2, -1, 0, 1, 2, 3, 4])
    # 50%: p = .75, k = ⌈7.5⌉ = 8 → 3 and, from below, −3. 80%: p = .9, k = 9 → 4 and −10.
    low, high = nine.ends([0.5, 0.8])
    assert (low.tolist(), high.tolist()) == ([-3, -10], [3, 4])
    # 90%: p = .95, k = ⌈9.5⌉ = 10 > 9: a quarter more than the outermost.
    low, high = nine.ends([0.9])
    assert (low.tolist(), high.tolist()) == ([-12.5], [5.0])


def test_ranges_nest_and_hold_the_value_even_where_all_residuals_lie_on_one_side() -> None:
    low, high = spread([0.5, 1.0, 1.5, 2.0, 2.5]).ends([0.01, 0.5, 0.8, 0.99])
    assert (low < 0).all() and (high > 0).all()
    assert (np.diff(low) <= 0).all() and (np.diff(high) >= 0).all()


def test_a_share_of_fresh_residuals_falls_within_the_range_of_that_level() -> None:
    rng = np.random.default_rng(3)
    shares = []
    for _ in range(400):
        low, high = spread(sorted(rng.standard_t(4, 60).tolist())).ends([0.8])
        fresh = rng.standard_t(4, 200)
        shares.append(float(((fresh >= low[0]) & (fresh <= high[0])).mean()))
    # Two tails of ⌈61 · .9⌉ = 55 of 60: 1 − 2 · (1 − 55/61) = .803; its standard error here is .003.
    assert np.mean(shares) == pytest.approx(0.803, abs=0.01)


def test_noise_multiplies_by_level_and_bends_with_the_value() -> None:
    bent = Noise(math.log(0.04), {}, (0.1, 0.05), 8.0, 0.5)
    # z = 0, 1, −1, and 9 held at 2; the level of the first row is four times as noisy.
    found = bent.variance(np.array([math.log(4.0), 0.0, 0.0, 0.0]), np.array([8.0, 8.5, 7.5, 12.5]))
    expected = [0.16, 0.04 * math.exp(0.15), 0.04 * math.exp(-0.05), 0.04 * math.exp(0.2 + 0.2)]
    assert found == pytest.approx(expected)


def test_the_scale_adds_up_what_is_not_known() -> None:
    assert scale() == pytest.approx(0.2)
    assert scale(noise=0.16) == pytest.approx(0.4)
    assert scale(posterior=0.02) == pytest.approx(math.sqrt(0.04 + 1.5 * 0.02))
    assert scale(unknown=0.02) == pytest.approx(math.sqrt(0.04 + 0.02))
    assert scale(mixture=0.03) == pytest.approx(math.sqrt(0.04 + 0.03))


def test_the_market_moves_outside_the_days_of_the_evidence_and_goes_on_doing_so() -> None:
    assert scale(time=2010.0) == scale(time=2020.0) == pytest.approx(0.2)
    assert scale(time=2023.0) == scale(time=2007.0) == pytest.approx(math.sqrt(0.04 + 3 * 0.01))
    later = [scale(time=2020.0 + years) for years in (1, 5, 6, 75)]
    assert all(sooner < after for sooner, after in pairwise(later))


def test_a_spread_comes_back_from_json() -> None:
    one = spread([-1.0, 0.5, 2.0])
    again = read_spread(json.loads(json.dumps(one.state())), one.shape)
    assert again == one
