"""The spread is learnt: which prices scatter more, how far the ranges reach, what not knowing costs."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from models.price.basis import Table
from models.price.spread import Spread
from training.fit.scatter import fit_spread

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
