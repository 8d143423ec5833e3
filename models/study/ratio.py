"""Statistics of a ratio study, the standard test of mass appraisal: ratios of estimates to prices paid.

Definitions: IAAO, Standard on Ratio Studies (2013). A ratio is estimate / price, so no statistic depends on
the currency.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from models.price.core.basis import Floats

_DRAWS = 1000
LEVEL_OF_CONFIDENCE = 0.95
_LEAST_FOR_A_SLOPE = 3


@dataclass(frozen=True)
class Figure:
    """A statistic with the ends of its bootstrap confidence interval, NaN where there are too few sales."""

    value: float
    low: float = float("nan")
    high: float = float("nan")


def median_ratio(estimate: Floats, price: Floats) -> float:
    """Return the median ratio, the overall level of the estimates."""
    return float(np.median(estimate / price))


def mean_ratio(estimate: Floats, price: Floats) -> float:
    """Return the mean ratio of estimate to price."""
    return float(np.mean(estimate / price))


def weighted_mean_ratio(estimate: Floats, price: Floats) -> float:
    """Return the sum of all estimates divided by the sum of all prices."""
    return float(np.sum(estimate) / np.sum(price))


def cod(estimate: Floats, price: Floats) -> float:
    """Return the coefficient of dispersion: the mean distance from the median ratio, in per cent of it."""
    ratio = estimate / price
    middle = np.median(ratio)
    return float(100 * np.mean(np.abs(ratio - middle)) / middle)


def prd(estimate: Floats, price: Floats) -> float:
    """Return the price-related differential, mean ratio / weighted mean ratio.

    It lies above 1 where dear instruments are valued lower, in proportion, than cheap ones.
    """
    return mean_ratio(estimate, price) / weighted_mean_ratio(estimate, price)


def prb(estimate: Floats, price: Floats) -> float:
    """Return the price-related bias: the relative change of the ratio when the value doubles.

    It is the slope of (ratio − median)/median on log2 of (price + estimate/median)/2; NaN below 3 sales.
    """
    ratio = estimate / price
    middle = np.median(ratio)
    value = np.log2((price + estimate / middle) / 2)
    spread = value - value.mean()
    total = float(spread @ spread)
    if len(ratio) < _LEAST_FOR_A_SLOPE or total == 0:
        return float("nan")
    return float(spread @ ((ratio - middle) / middle) / total)


def median_error(estimate: Floats, price: Floats) -> float:
    """Return the median absolute error, in per cent of the price paid."""
    return float(100 * np.median(np.abs(estimate / price - 1)))


def rmse_log(estimate: Floats, price: Floats) -> float:
    """Return the root mean squared error of the log price."""
    return float(np.sqrt(np.mean(np.log(estimate / price) ** 2)))


STATISTICS: Mapping[str, Callable[[Floats, Floats], float]] = {
    "median_ratio": median_ratio,
    "mean_ratio": mean_ratio,
    "weighted_mean_ratio": weighted_mean_ratio,
    "cod": cod,
    "prd": prd,
    "prb": prb,
    "median_error": median_error,
    "rmse_log": rmse_log,
}

# Limits that the IAAO standard accepts. It has none for the coefficient of dispersion of personal property.
ACCEPTED: Mapping[str, tuple[float, float]] = {
    "median_ratio": (0.90, 1.10),
    "prd": (0.98, 1.03),
    "prb": (-0.05, 0.05),
}


def ratio_study(estimate: Floats, price: Floats, *, draws: int = _DRAWS) -> dict[str, Figure]:
    """Compute every statistic, with a percentile bootstrap over sales; `draws` = 0 gives no intervals.

    `estimate`, `price`: (n,) money above 0. Raises ValueError for shapes that differ, no sales, or amounts
    that are not all above 0.
    """
    estimate, price = np.asarray(estimate, np.float64), np.asarray(price, np.float64)
    if estimate.shape != price.shape or estimate.ndim != 1 or not len(price):
        shapes = f"{estimate.shape} and {price.shape}"
        raise ValueError(f"estimate, price: shapes {shapes}; allowed: the same, (n,) with n ≥ 1")
    if not (np.all(estimate > 0) and np.all(price > 0)):
        raise ValueError("estimate, price: not all above 0; leave out what has no value or no price")
    found = {name: statistic(estimate, price) for name, statistic in STATISTICS.items()}
    if draws == 0 or len(price) < _LEAST_FOR_A_SLOPE:
        return {name: Figure(value) for name, value in found.items()}
    picks = np.random.default_rng(0).integers(0, len(price), (draws, len(price)))
    tails = [50 * (1 - LEVEL_OF_CONFIDENCE), 100 - 50 * (1 - LEVEL_OF_CONFIDENCE)]
    out = {}
    for name, statistic in STATISTICS.items():
        again = np.array([statistic(estimate[pick], price[pick]) for pick in picks])
        low, high = np.nanpercentile(again, tails) if not np.all(np.isnan(again)) else (np.nan, np.nan)
        out[name] = Figure(found[name], float(low), float(high))
    return out
