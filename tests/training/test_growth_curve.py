"""The curve through the sizes that were tried, and the band of what it says of more records."""

from __future__ import annotations

import math

import numpy as np
import pytest
from linear_market import NOISE, linear_model, sales

from training.growth.curve import Curve, curve_through, expected, floors_of
from training.growth.measure import Measures, Size, Trial, measured

NO_FLOOR = Measures(0.0, 0.0, 0.0)


def trial(share: float, n: int, error: list[float], width: float = 1.0, first: int = 0) -> Trial:
    counts = {"sale": n, "asking": 0, "offer": 0}
    places = np.arange(first, first + len(error))
    return Trial(share, counts, np.array(error), np.full(len(error), width), places)


def drawn(seed: int, total: int, sd: Curve) -> list[Size]:
    """Errors as a fit of each size makes them where its standard deviation follows this curve."""
    rng, sizes = np.random.default_rng(seed), []
    for share in (1 / 8, 1 / 4, 1 / 2):
        n, halves = int(share * total), np.array_split(rng.permutation(total), 2)
        own = [
            Trial(share, {"sale": n}, rng.normal(0, sd.at(n), len(half)), np.ones(len(half)), half)
            for half in halves
        ]
        sizes.append(Size(share, tuple(own)))
    return sizes


@pytest.mark.parametrize("c", [0.25, 0.5, 1.0])
def test_points_on_a_curve_give_that_curve(c: float) -> None:
    n = np.array([15.0, 30.0, 60.0, 120.0])
    found = curve_through(n, 0.2 + 1.5 * n**-c, floor=0.1)
    assert found == pytest.approx((0.2, 1.5, c), rel=1e-6)
    assert found.at(np.array([480.0])) == pytest.approx([0.2 + 1.5 * 480**-c])


def test_no_curve_falls_below_the_noise_of_sales() -> None:
    """A straight line down would be at .1 at 240 and below nothing at 480; the noise leaves .3."""
    n, y = np.array([15.0, 30.0, 60.0]), np.array([0.9, 0.7, 0.5])
    found = curve_through(n, y, floor=0.3)
    assert found.a >= 0.3
    assert found.at(np.array([1e12]))[0] >= 0.3


def test_a_measure_that_grows_with_records_is_expected_to_stay() -> None:
    n = np.array([15.0, 30.0, 60.0])
    found = curve_through(n, np.array([0.4, 0.5, 0.6]), floor=0.1)
    assert found.b == 0
    assert found.at(n) == pytest.approx([0.5, 0.5, 0.5])


def test_a_noise_above_what_was_measured_gives_way_to_it() -> None:
    n = np.array([15.0, 30.0, 60.0])
    assert curve_through(n, np.array([0.5, 0.4, 0.3]), floor=0.35).a <= 0.3


def test_nothing_is_expected_of_two_sizes() -> None:
    sizes = [Size(s, (trial(s, n, [0.1, -0.1]),)) for s, n in ((0.25, 15), (0.5, 30))]
    assert expected(sizes, NO_FLOOR, [60, 120]) is None


def test_the_band_holds_the_truth_about_as_often_as_it_says() -> None:
    """80 of 100 are promised; of 30 markets fewer than 18 would be a chance of one in a hundred."""
    sd = Curve(0.15, 2.0, 0.5)
    truth = sd.at(np.array([1000, 4000]))
    held = np.zeros(2)
    for seed in range(30):
        found = expected(drawn(seed, 1000, sd), Measures(0, 0.14, 0), [1000, 4000], draws=40, seed=seed)
        assert found is not None
        rmse = found["rmse_log"]
        held += (rmse.low <= truth) & (truth <= rmse.high)
    assert held.min() >= 18
    # A band that held everything would say nothing.
    assert rmse.high[1] - rmse.low[1] < truth[1]


def test_sizes_that_lie_off_every_curve_widen_the_band() -> None:
    """Ranges without any noise of measuring, on a curve and with the middle one far above it."""
    wide = []
    for middle in (0.7, 1.0):
        pairs = ((1 / 8, 10, 1.0), (1 / 4, 20, middle), (1 / 2, 40, 0.5))
        sizes = [Size(s, (trial(s, n, [0.1, -0.1], width),)) for s, n, width in pairs]
        found = expected(sizes, NO_FLOOR, [80, 320], draws=60)
        assert found is not None
        wide.append(float((found["width"].high - found["width"].low)[1]))
    assert wide[0] < 0.05 < 0.2 < wide[1]


def test_measures_by_hand() -> None:
    """The first fit is off by .5 throughout: its RMSE is about its own median, its error is not."""
    one, two = trial(0.5, 9, [0.4, 0.5, 0.6], 1.0), trial(0.5, 9, [-0.1, 0.0, 0.1], 2.0, first=3)
    found = measured([one, two])
    assert found.rmse_log == pytest.approx(math.sqrt(4 * 0.01 / 6))
    off = sorted(abs(math.exp(e) - 1) for e in (0.4, 0.5, 0.6, -0.1, 0.0, 0.1))
    assert found.median_error == pytest.approx(100 * (off[2] + off[3]) / 2)
    assert found.width == pytest.approx(1.5)


def test_a_specimen_drawn_twice_counts_twice() -> None:
    found = measured([trial(0.5, 9, [0.0, 0.3], 1.0)], np.array([2, 1]))
    assert found.rmse_log == pytest.approx(math.sqrt(0.09 / 3))


def test_the_floor_is_what_noise_alone_leaves() -> None:
    """Nine residuals, .3 scales of .2 apart: their mean square is .3² · 60 / 9 scales."""
    rows = sales(20, 20)
    found = floors_of(linear_model(rows), rows)
    scale = math.sqrt(NOISE)
    assert found.rmse_log == pytest.approx(0.3 * math.sqrt(60 / 9) * scale, rel=1e-6)
    assert found.width == pytest.approx(2.4 * scale, rel=1e-6)
    # The middle one of nine is the second that lies .6 off, the one above.
    assert found.median_error == pytest.approx(100 * (math.exp(0.6 * scale) - 1), rel=1e-6)
