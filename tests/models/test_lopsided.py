"""Losses that are not known lie to one side: the two outcomes by hand, and scipy's t and its root finder."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import t as student

from models.price.core.lopsided import (
    COMMONEST,
    RAREST,
    Bends,
    below,
    heavy_of,
    outcomes,
    quantile,
    straightened,
)

ENDS = np.array([-2.2, -1.2, -0.6, 0.6, 1.2, 2.0])
SHARES, CHANCES = (0.0, 0.07, 0.3, 0.6, 0.8), (0.01, 0.05, 0.1, 0.15, COMMONEST)


def by_hand(x: float, share: float, chance: float) -> float:
    """F(x); a t with 6 degrees of freedom has variance 6/4."""
    loss = math.sqrt(share / (chance * (1 - chance)))
    left = math.sqrt(1 - share) / math.sqrt(1.5)
    light, heavy = (student.cdf((x - middle) / left, 6) for middle in (chance * loss, -(1 - chance) * loss))
    return float((1 - chance) * light + chance * heavy)


def one(x: float) -> np.ndarray:
    return np.array([x])


@pytest.mark.parametrize(("chance", "loss"), [(0.1, 0.6), (0.02, 1.0), (0.2, 0.3)])
def test_the_heavy_of_a_loss_is_found_from_its_moments(chance: float, loss: float) -> None:
    outcomes_, chances = np.array([0.0, -loss]), np.array([1 - chance, chance])
    away = outcomes_ - outcomes_ @ chances
    variance = float(away**2 @ chances)
    assert heavy_of(variance, float(away**3 @ chances)) == pytest.approx((variance, chance))


def test_losses_that_are_hardly_skewed_are_two_outcomes_in_part_only() -> None:
    """Two outcomes of p (1 − p) = 1/6 and a symmetric rest: the third moment is that of the outcomes."""
    away = np.array([COMMONEST, COMMONEST - 1])
    chances = np.array([1 - COMMONEST, COMMONEST])
    variance, third = float(away**2 @ chances), float(away**3 @ chances)
    assert variance == pytest.approx(1 / 6)
    for rest in (0.01, 0.3, 5.0):
        assert heavy_of(variance + rest, third) == pytest.approx((variance, COMMONEST))


def test_nothing_unknown_and_nothing_heavy_are_no_outcomes_and_a_chance_is_held_where_it_matters() -> None:
    # The second is as often heavy as not, the third more often; the last has a skewness of −1000.
    assert [heavy_of(0.0, 0.0)[0], heavy_of(0.04, 0.0)[0], heavy_of(0.04, 0.001)[0]] == [0, 0, 0]
    assert heavy_of(1.0, -1000.0) == (1.0, RAREST)


def test_outcomes_have_the_mean_and_the_variance() -> None:
    above, under = outcomes(one(0.04), one(0.1))
    assert 0.9 * above - 0.1 * under == pytest.approx(one(0), abs=1e-15)
    assert 0.9 * above**2 + 0.1 * under**2 == pytest.approx(one(0.04))


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("chance", CHANCES)
def test_probabilities_and_ends_are_those_by_hand(share: float, chance: float) -> None:
    found = Bends(ENDS).at(one(share), one(chance))[0]
    for end, bent in zip(ENDS, found, strict=True):
        assert below(one(end), one(share), one(chance)) == pytest.approx(
            by_hand(end, share, chance), abs=1e-12
        )
        wanted = student.cdf(end * math.sqrt(1.5), 6)
        exact = brentq(lambda x, p=wanted: by_hand(x, share, chance) - p, -50, 50, xtol=1e-12)
        assert quantile(one(wanted), one(share), one(chance)) == pytest.approx(exact, abs=1e-9)
        # Between a light and a heavy outcome an end may lie anywhere: there is nothing for it to hold.
        assert by_hand(bent, share, chance) == pytest.approx(wanted, abs=0.004)
        assert straightened(one(exact), one(share), one(chance)) == pytest.approx(end, abs=1e-9)


def test_a_rare_heavy_loss_narrows_what_most_prices_lie_in_and_widens_what_nearly_all_do() -> None:
    """Half of the variance by a loss of one in twenty: the 80% range shrinks, the low end of 95% does not."""
    found = dict(zip(ENDS.tolist(), Bends(ENDS).at(one(0.5), one(0.05))[0].tolist(), strict=True))
    assert found[1.2] < 1.0 and found[-1.2] > -1.0
    assert found[-2.2] < -2.5


def test_ends_stay_in_their_order_and_those_of_a_batch_are_those_of_its_rows() -> None:
    rng = np.random.default_rng(1)
    ends = np.array([-9.0, -3.0, -2.99, -1e-3, 1e-3, 1.0, 1.001, 20.0])
    share = np.concatenate([rng.uniform(0, 1, 500), [0.0, 0.95, 1.0]])
    chance = np.concatenate([rng.uniform(RAREST, COMMONEST, 500), [COMMONEST, RAREST, COMMONEST]])
    bends = Bends(ends)
    together = bends.at(share, chance)
    assert (np.diff(together, axis=1) >= 0).all()
    apart = [bends.at(share[n : n + 1], chance[n : n + 1])[0] for n in range(len(share))]
    assert np.array_equal(together, np.array(apart))
    # Where all losses are known nothing is bent.
    assert together[500] == pytest.approx(ends, rel=1e-8)
