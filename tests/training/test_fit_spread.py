"""The spread is learnt: which prices scatter more, how far the ranges reach, what not knowing costs."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from models.price.basis import Table
from models.price.spread import Spread
from training.fit.scatter import Likelihood, fit_spread, maximised

Floats = NDArray[np.float64]
ROWS = 3000


def sales(rows: int, seed: int) -> tuple[Table, Floats, Floats, Floats]:
    """Left-out sales: auctions scatter twice as much; a neck that is not known adds a variance of .04."""
    rng = np.random.default_rng(seed)
    channel = np.where(rng.random(rows) < 0.4, "auction", "private").astype(object)
    neck = np.where(rng.random(rows) < 0.3, np.nan, 1.0)
    posterior = rng.uniform(0.0, 0.02, rows)
    variance = np.where(channel == "auction", 0.04, 0.01) + posterior + np.where(np.isnan(neck), 0.04, 0.0)
    residual = rng.standard_t(6, rows) * np.sqrt(variance * 4 / 6)
    table = {"channel": channel, "neck": neck, "time": rng.uniform(2010, 2020, rows)}
    return table, rng.normal(8, 0.5, rows), residual, posterior


@pytest.fixture(scope="module")
def found() -> Spread:
    table, value, residual, posterior = sales(ROWS, 1)
    hidden = {"neck": 0.04}
    return fit_spread(
        table, value, residual, posterior, columns=("channel",), hidden=hidden, time="time", drift=0.005
    )


def mean_scale(
    found: Spread, table: Table, value: Floats, posterior: Floats, rows: NDArray[np.bool_]
) -> float:
    some = {name: values[rows] for name, values in table.items()}
    return float(found.scale(some, value[rows], posterior[rows]).mean())


def test_what_scatters_more_gets_a_wider_range(found: Spread) -> None:
    table, value, _, _ = sales(ROWS, 2)
    sure, known = np.zeros(ROWS), ~np.isnan(table["neck"])
    auction = table["channel"] == "auction"
    ratio = mean_scale(found, table, value, sure, known & auction) / mean_scale(
        found, table, value, sure, known & ~auction
    )
    print(f"an auction's range is {ratio:.2f} times a private sale's, in truth 2")
    assert 1.7 < ratio < 2.3


def test_what_is_not_known_widens_by_what_it_can_be_worth(found: Spread) -> None:
    table, value, _, _ = sales(ROWS, 2)
    sure, private = np.zeros(ROWS), table["channel"] == "private"
    unknown = np.isnan(table["neck"])
    ratio = mean_scale(found, table, value, sure, private & unknown) / mean_scale(
        found, table, value, sure, private & ~unknown
    )
    print(f"an unknown neck widens {ratio:.2f} times, in truth {np.sqrt(5):.2f}")
    assert ratio == pytest.approx(np.sqrt(5), rel=0.15)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95])
def test_fresh_sales_fall_within_the_range_of_their_level(found: Spread, level: float) -> None:
    table, value, residual, posterior = sales(4000, 3)
    low, high = found.ends([level])
    scale = found.scale(table, value, posterior)
    inside = (residual >= scale * low[0]) & (residual <= scale * high[0])
    assert inside.mean() == pytest.approx(level, abs=0.025)
    for group in (table["channel"] == "auction", np.isnan(table["neck"]), ~np.isnan(table["neck"])):
        assert inside[group].mean() == pytest.approx(level, abs=0.04)


def test_the_last_day_and_the_drift_are_kept(found: Spread) -> None:
    assert 2019.9 < found.last <= 2020.0
    assert (found.drift, found.time, found.hidden) == (0.005, "time", {"neck": 0.04})
    assert (np.diff(found.shape) >= 0).all() and len(found.shape) == ROWS


# ── the likelihood is climbed to its top ─────────────────────────────────────


def likelihood(less_known: float = 1.0) -> Likelihood:
    """Of 400 sales, for which the posterior variance is so many times as large as it should be."""
    table, value, residual, posterior = sales(400, 4)
    auction = table["channel"] == "auction"
    x = np.stack([np.ones(400), value - 8, auction, ~auction], axis=1)
    return Likelihood(x, np.where(np.isnan(table["neck"]), 0.04, 0.0), residual, less_known * posterior)


# The last is so low that the noise of half of the rows has come to where it moves no further.
THETAS = (
    np.array([-4.0, 0.3, 0.5, -0.2, -0.7, -0.3]),
    np.array([-2.0, -1.0, 0.1, 0.4, 1.0, 0.8]),
    np.array([-19.0, 0.1, 1.5, -1.5, -1.0, 0.5]),
)


@pytest.mark.parametrize("theta", THETAS)
def test_slope_and_curvature_are_those_of_the_loss(theta: Floats) -> None:
    of, step = likelihood(), 1e-5
    _, slope = of.loss(theta)
    curvature = of.curvature(theta)
    for place in range(len(theta)):
        there, back = theta.copy(), theta.copy()
        there[place] += step
        back[place] -= step
        (up, slope_up), (down, slope_down) = of.loss(there), of.loss(back)
        assert slope[place] == pytest.approx((up - down) / (2 * step), rel=1e-6, abs=1e-5), place
        assert curvature[place] == pytest.approx((slope_up - slope_down) / (2 * step), rel=1e-6, abs=1e-5)


def test_at_the_top_the_slope_is_nothing_but_rounding() -> None:
    of = likelihood()
    found = maximised(of)
    assert np.abs(of.loss(found)[1]).max() < 1e-10
    assert np.linalg.eigvalsh(of.curvature(found)).min() > 0.5


def test_what_is_pushed_against_a_bound_stays_there_and_the_rest_is_at_the_top() -> None:
    """Residuals bear out a thirtieth of the posterior variance: its factor wants to be less than it may."""
    of = likelihood(30.0)
    found = maximised(of)
    slope = of.loss(found)[1]
    assert found[-2] == -4.0 and slope[-2] > 0
    assert np.abs(np.delete(slope, -2)).max() < 1e-10


def test_neither_names_nor_the_order_of_rows_nor_the_currency_move_the_scale() -> None:
    table, value, residual, posterior = sales(ROWS, 5)

    def scale(names: dict[str, str], order: Floats, more: float) -> Floats:
        channel = np.array([names[c] for c in table["channel"]], dtype=object)
        mine = {name: column[order] for name, column in {**table, "channel": channel}.items()}
        spread = fit_spread(
            mine,
            value[order] + more,
            residual[order],
            posterior[order],
            columns=("channel",),
            hidden={"neck": 0.04},
            time="time",
            drift=0.005,
        )
        return spread.scale(mine, value[order] + more, posterior[order])[np.argsort(order)]

    one = scale({"auction": "auction", "private": "private"}, np.arange(ROWS), 0.0)
    two = scale({"auction": "zz", "private": "aa"}, np.random.default_rng(6).permutation(ROWS), 3.0)
    assert np.abs(two / one - 1).max() < 1e-11
