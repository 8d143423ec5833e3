"""Interval values worked by hand or published; each beside its source."""

import math
from statistics import NormalDist

import numpy as np
import pytest

from models.study.intervals import conformal_quantile, conformal_rank, covered, cqr_correction, interval_score


@pytest.mark.parametrize(("alpha", "smallest"), [(0.2, 4), (0.1, 9), (0.05, 19), (0.01, 99)])
def test_the_smallest_calibration_set(alpha: float, smallest: int) -> None:
    """Lei et al. (2018): k = ⌈(n+1)(1−α)⌉ must not exceed n; the range is unbounded below that n."""
    assert conformal_rank(smallest, 1 - alpha) == smallest
    scores = np.arange(1.0, smallest + 1)
    assert conformal_quantile(scores, 1 - alpha) == smallest
    assert conformal_quantile(scores[:-1], 1 - alpha) == math.inf


def test_the_quantile_is_the_kth_score_not_the_next() -> None:
    """n = 19 at 90%: k = 18. `np.quantile(s, k/n, method="higher")` would give the 19th."""
    scores = np.arange(1.0, 20)
    assert conformal_quantile(scores[::-1], 0.9) == 18
    assert np.quantile(scores, 18 / 19, method="higher") == 19


def test_conformalised_quantile_regression_by_hand() -> None:
    """Romano, Patterson & Candès (2019), worked by hand; a negative correction narrows the range."""
    scores = [-20, 5, 20, -40, -2, 20, 1, -30, -10]
    assert [cqr_correction(scores, level) for level in (0.9, 0.7, 0.5)] == [20, 5, -2]


def test_log_residuals_by_hand() -> None:
    predicted = np.array([1000, 2000, 1500, 800, 3000, 2500, 1200, 900, 4000])
    paid = np.array([1100, 1900, 1650, 760, 2700, 2600, 1500, 900, 4400])
    left = np.abs(np.log(paid / predicted))
    assert math.exp(conformal_quantile(left, 0.9)) == pytest.approx(1.25)
    assert math.exp(conformal_quantile(left, 0.8)) == pytest.approx(1.1111, abs=5e-5)


def test_coverage_over_calibration_sets_is_beta() -> None:
    """Coverage given the calibration set ~ Beta(k, n+1−k): n = 19, α = .1 → 5–95% range .774–.981."""
    rng = np.random.default_rng(0)
    # Of uniform scores the coverage is the quantile itself.
    coverage = [conformal_quantile(rng.random(19), 0.9) for _ in range(20_000)]
    low, high = np.quantile(coverage, [0.05, 0.95])
    assert (low, high) == pytest.approx((0.774, 0.981), abs=0.003)
    assert np.mean(coverage) == pytest.approx(18 / 20, abs=0.002)


def test_lognormal_mean_and_interval() -> None:
    """Median 1000, σ .5: mean 1133.1485, 80% interval 526.88–1897.95; simulated prices agree."""
    sigma, z = 0.5, NormalDist().inv_cdf(0.9)
    low, high = math.log(1000) - sigma * z, math.log(1000) + sigma * z
    assert (math.exp(low), math.exp(high)) == pytest.approx((526.88, 1897.95), abs=0.005)
    logs = math.log(1000) + sigma * np.random.default_rng(0).standard_normal(400_000)
    assert np.exp(logs).mean() == pytest.approx(1133.1485, rel=0.005)
    assert covered(logs, np.full(len(logs), low), np.full(len(logs), high)).mean() == pytest.approx(
        0.8, abs=0.002
    )


def test_interval_score_by_hand() -> None:
    """Gneiting & Raftery (2007): (u − l) + 2/α (l − y)₊ + 2/α (y − u)₊; at α = .1 a miss costs 20-fold."""
    y, low, high = np.array([1.0, 0.5, 3.5]), np.ones(3), np.full(3, 3.0)
    assert interval_score(y, low, high, 0.9) == pytest.approx([2.0, 12.0, 12.0])
    assert list(covered(y, low, high)) == [1, 0, 0]


def test_interval_score_is_least_at_the_true_quantiles() -> None:
    """The score is proper: no wider and no narrower range has a lower one than the true quantiles."""
    y = np.random.default_rng(1).standard_normal(200_000)
    z = NormalDist().inv_cdf(0.95)
    mean = {
        w: interval_score(y, np.full(len(y), -z * w), np.full(len(y), z * w), 0.9).mean()
        for w in (0.8, 1, 1.25)
    }
    assert mean[1] < min(mean[0.8], mean[1.25])
