"""The spread is learnt: which prices scatter more, how far the ranges reach, what not knowing costs."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from models.price.core.basis import Table
from models.price.core.lopsided import Bends
from models.price.core.spread import Moments, Spread
from training.fit.spread.noise import LeftOutSales, Likelihood, fit_spread, maximised

Floats = NDArray[np.float64]
ROWS = 3000


def sales(rows: int, seed: int) -> tuple[Table, Floats, Floats, Floats, Floats]:
    """Left-out sales: auctions scatter twice as much; a neck that is not known adds a variance of .04.

    A fifth have a blank of the level besides, which adds one of .03: that is known beforehand.
    """
    rng = np.random.default_rng(seed)
    channel = np.where(rng.random(rows) < 0.4, "auction", "private").astype(object)
    neck = np.where(rng.random(rows) < 0.3, np.nan, 1.0)
    posterior = rng.uniform(0.0, 0.02, rows)
    mixture = np.where(rng.random(rows) < 0.2, 0.03, 0.0)
    variance = np.where(channel == "auction", 0.04, 0.01) + posterior + np.where(np.isnan(neck), 0.04, 0.0)
    variance += mixture
    residual = rng.standard_t(6, rows) * np.sqrt(variance * 4 / 6)
    table = {"channel": channel, "neck": neck, "time": rng.uniform(2010, 2020, rows)}
    return table, rng.normal(8, 0.5, rows), residual, posterior, mixture


def fitted(made: tuple[Table, Floats, Floats, Floats, Floats]) -> Spread:
    moments = {"neck": Moments(0.04, 0.0)}
    sales = LeftOutSales(*made)
    return fit_spread(
        sales, len(made[1]), columns=("channel",), loss_moments=moments, time="time", drift=0.005
    )


def scale_of(found: Spread, table: Table, value: Floats, posterior: Floats, mixture: Floats) -> Floats:
    """(n,) scales, with what is not known of a row by hand."""
    levels = np.array([found.noise.levels["channel"].get(c, 0.0) for c in table["channel"]])
    unknown = np.where(np.isnan(table["neck"]), 0.04, 0.0)
    return found.scale(found.noise.variance(levels, value), posterior, unknown, mixture, table["time"])


@pytest.fixture(scope="module")
def found() -> Spread:
    return fitted(sales(ROWS, 1))


@pytest.fixture(scope="module")
def scales(found: Spread) -> tuple[Table, Floats]:
    """Other rows, and the scales of those that are surely valued and have no blank of the level."""
    table, value, *_ = sales(ROWS, 2)
    return table, scale_of(found, table, value, np.zeros(ROWS), np.zeros(ROWS))


def test_what_scatters_more_gets_a_wider_range(scales: tuple[Table, Floats]) -> None:
    table, scale = scales
    known, auction = ~np.isnan(table["neck"]), table["channel"] == "auction"
    ratio = scale[known & auction].mean() / scale[known & ~auction].mean()
    assert 1.7 < ratio < 2.3


def test_what_is_not_known_widens_by_what_it_can_be_worth(scales: tuple[Table, Floats]) -> None:
    table, scale = scales
    unknown, private = np.isnan(table["neck"]), table["channel"] == "private"
    ratio = scale[private & unknown].mean() / scale[private & ~unknown].mean()
    assert ratio == pytest.approx(np.sqrt(5), rel=0.15)


def test_what_a_blank_of_the_level_may_be_widens_by_its_variance(found: Spread) -> None:
    table, value, _, posterior, _ = sales(ROWS, 2)
    wide, narrow = (scale_of(found, table, value, posterior, np.full(ROWS, x)) for x in (0.03, 0.0))
    assert wide**2 - narrow**2 == pytest.approx(np.full(ROWS, 0.03))


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95])
def test_fresh_sales_fall_within_the_range_of_their_level(found: Spread, level: float) -> None:
    table, value, residual, posterior, mixture = sales(4000, 3)
    low, high = found.ends([level])
    scale = scale_of(found, table, value, posterior, mixture)
    inside = (residual >= scale * low[0]) & (residual <= scale * high[0])
    assert inside.mean() == pytest.approx(level, abs=0.025)
    unknown = np.isnan(table["neck"])
    for group in (table["channel"] == "auction", unknown, ~unknown, mixture > 0):
        assert inside[group].mean() == pytest.approx(level, abs=0.04)


# ── what is not known lies to the one side ───────────────────────────────────


NECK = Moments(0.09 * 0.25, -0.09 * 0.8 * 0.125)  # a loss of .5 with a chance of .1


def lopsided_sales(rows: int, seed: int) -> tuple[Floats, Floats, Floats]:
    """Residuals, the variance of all but losses, and which rows do not know of a rare heavy loss."""
    rng = np.random.default_rng(seed)
    blank, others = rng.random(rows) < 0.3, rng.uniform(0.01, 0.03, rows)
    loss = 0.5 * (rng.random(rows) < 0.1) - 0.05
    return rng.standard_t(6, rows) * np.sqrt(others * 4 / 6) - blank * loss, others, blank


def test_a_range_beside_a_rare_heavy_loss_misses_as_many_prices_on_either_side() -> None:
    def made(seed: int) -> LeftOutSales:
        residual, others, blank = lopsided_sales(6000, seed)
        table = {"channel": np.full(6000, "private", object), "neck": np.where(blank, np.nan, 1.0)}
        table["time"] = np.full(6000, 2015.0)
        # Of all but losses, a hundredth is noise, and the rest what the fit does not know.
        return LeftOutSales(table, np.full(6000, 8.0), residual, others - 0.01, np.zeros(6000))

    moments = {"neck": NECK}
    found = fit_spread(made(8), 6000, columns=("channel",), loss_moments=moments, time="time", drift=0.0)
    fresh = made(9)
    blank = np.isnan(fresh.table["neck"])
    noise = found.noise.variance(np.full(6000, found.noise.levels["channel"]["private"]), fresh.value)
    unknown = NECK.variance * blank
    scale = found.scale(noise, fresh.posterior, unknown, fresh.mixture, fresh.table["time"])
    for level in (0.5, 0.8, 0.95):
        bends = Bends(np.concatenate(found.ends([level])))
        low, high = bends.at(unknown / scale**2, np.full(6000, 0.1)).T
        under, over = fresh.residual < scale * low, fresh.residual > scale * high
        for rows in (blank, ~blank):
            assert [under[rows].mean(), over[rows].mean()] == pytest.approx([(1 - level) / 2] * 2, abs=0.03)


def test_the_days_of_the_evidence_and_the_drift_are_kept(found: Spread) -> None:
    assert 2010.0 <= found.first < 2010.1 and 2019.9 < found.last <= 2020.0
    assert (found.drift, found.loss_moments) == (0.005, {"neck": (0.04, 0.0)})
    assert (np.diff(found.shape) >= 0).all() and len(found.shape) == ROWS


# ── the likelihood is climbed to its top ─────────────────────────────────────


def likelihood(less_known: float = 1.0) -> Likelihood:
    """Of 400 sales, for which the posterior variance is so many times as large as it should be."""
    table, value, residual, posterior, mixture = sales(400, 4)
    auction = table["channel"] == "auction"
    x = np.stack([np.ones(400), value - 8, auction, ~auction], axis=1)
    unknown = np.where(np.isnan(table["neck"]), 0.04, 0.0)
    return Likelihood(x, unknown, residual, less_known * posterior, mixture)


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
    table, value, residual, posterior, mixture = sales(ROWS, 5)

    def scale(names: dict[str, str], order: Floats, more: float) -> Floats:
        channel = np.array([names[c] for c in table["channel"]], dtype=object)
        mine = {name: column[order] for name, column in {**table, "channel": channel}.items()}
        parts = [x[order] for x in (value + more, residual, posterior, mixture)]
        spread = fitted((mine, *parts))  # type: ignore[arg-type]
        return scale_of(spread, mine, parts[0], parts[2], parts[3])[np.argsort(order)]

    one = scale({"auction": "auction", "private": "private"}, np.arange(ROWS), 0.0)
    two = scale({"auction": "zz", "private": "aa"}, np.random.default_rng(6).permutation(ROWS), 3.0)
    assert np.abs(two / one - 1).max() < 1e-11
