"""The resale prices of an instrument: equally probable prices, by the distribution of the price model."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from statistics import NormalDist

import numpy as np

from models.price.core.basis import Floats
from models.price.interface import Estimate

PRICES = 1000  # The number of equally probable prices; a chance is told in steps of a tenth of a per cent.
# The ranges that the distribution is made of: levels that a caller can ask for too, the widest last. Beyond
# the widest nothing is known, so that prices there count as its ends.
LEVELS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 0.98, 0.99)
LEAST_CHANCE = (1 - LEVELS[-1]) / 2  # The least chance that the distribution tells from none.

_normal = np.vectorize(NormalDist().inv_cdf, otypes=[np.float64])
_AT = _normal((np.arange(PRICES) + 0.5) / PRICES)
_NODES = _normal([*((1 - level) / 2 for level in LEVELS[::-1]), 0.5, *((1 + level) / 2 for level in LEVELS)])
_DAYS_A_MONTH = 365.25 / 12


@dataclass(frozen=True)
class Resale:
    """n equally probable resale prices in ascending order, (n,), in money of one currency."""

    prices: Floats

    @property
    def mean(self) -> float:
        """The expected resale price.

        Scatter in the log raises the mean of prices above their median. The mean of the prices is their
        median times the mean of the exponentials of the errors (Duan 1983).
        """
        return float(self.prices.mean())

    def below(self, price: float) -> float:
        """Return the chance of a resale price below this one."""
        return float(np.searchsorted(self.prices, price, side="left")) / len(self.prices)

    def around(self, mean: float) -> "Resale":
        """Return the same prices in proportion, with this mean."""
        return Resale(self.prices * (mean / self.mean))


def resale_of(found: Estimate, row: int, center: float, rate: float) -> Resale:
    """Return the resale prices of one row of an estimate at `LEVELS`, moved to the log median `center`.

    `rate`: US dollars for one unit of the currency. Between the ends of ranges the log price is interpolated
    linearly over the normal quantile of its chance, which is exact for normal errors.
    """
    ends = np.concatenate([found.low[row, ::-1], [found.center[row]], found.high[row]])
    logs = np.interp(_AT, _NODES, ends) - found.center[row] + center
    return Resale(np.exp(logs) / rate)


def months_after(day: date, months: float) -> date:
    """Return the day so many months after another one; a month has 365.25 / 12 days."""
    return date.fromordinal(day.toordinal() + round(months * _DAYS_A_MONTH))


def quantiles(ascending: Floats, chances: Sequence[float]) -> list[float]:
    """Return the numbers below which these shares of n ascending numbers lie, interpolated linearly."""
    return [float(found) for found in np.quantile(ascending, list(chances))]
