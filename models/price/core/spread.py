"""The spread: how prices scatter around values, as a scale for each row times one distribution of residuals.

scale² = noise(x) + g · posterior variance + Σ variance of each unknown loss
       + variance of what the level's blanks may turn out to be + market drift outside the evidence's days

The quantiles are those of residuals / scale of sales left out of the fit (cross-conformal: Vovk 2015): the
k-th smallest of n with k = ⌈(n + 1) p⌉ (Lei et al. 2018). Unknown losses skew the distribution. So each
residual is first mapped to the equally probable residual of a row whose losses are all known, and the ends of
a range are mapped back (`models.price.core.lopsided`; Chernozhukov et al. 2021).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np

from models.price.core.basis import Floats

# A quantile beyond the largest residual is this multiple of it, since there is no evidence so far out.
_BEYOND = 1.25
# The least variance of a value, as a share of a sale's noise variance, for the effective number of sales.
LEAST_UNSURE = 1e-4


class Moments(NamedTuple):
    """Variance and third central moment of the effect of one field's unknown loss, in log."""

    variance: float
    third: float


@dataclass(frozen=True)
class Noise:
    """The noise variance of a sale: its log is intercept + Σ level effects + polynomial in the log value.

    `levels`: column → level → its effect. `value`: coefficients of z, z², …, where z is the standardised log
    value, (log value − `center`) / `scale`.
    """

    intercept: float
    levels: Mapping[str, Mapping[str, float]]
    value: tuple[float, ...]
    center: float
    scale: float

    def variance(self, effects: Floats, value: Floats) -> Floats:
        """Return the (n,) noise variances for (n,) sums of level effects and (n,) log values."""
        log = self.intercept + effects
        z = np.minimum(np.maximum((value - self.center) / self.scale, -2.0), 2.0)
        for power, coefficient in enumerate(self.value, 1):
            log = log + coefficient * z**power
        return np.asarray(np.exp(log), np.float64)


@dataclass(frozen=True)
class Spread:
    """The fitted scale of prices around values, and the distribution of scaled residuals.

    `posterior`: the factor g. `loss_moments`: loss column → moments of its loss over rows where it is known.
    `first`, `last`: the evidence's first and last day, in years; `drift`: variance added for each year
    outside them. `shape`: (n,) sorted residuals of left-out sales, over their scale, mapped to rows without
    unknown losses.
    """

    noise: Noise
    posterior: float
    loss_moments: Mapping[str, Moments]
    first: float
    last: float
    drift: float
    shape: Floats

    def scale(
        self, noise: Floats, posterior: Floats, unknown: Floats, mixture: Floats, time: Floats
    ) -> Floats:
        """Return the (n,) scales, in log, from (n,) variances and (n,) times in years.

        `noise`: of a sale. `posterior`: of the value's coefficients. `unknown`: of unknown losses. `mixture`:
        of the level's blanks.
        """
        learned = self.posterior * posterior + unknown + mixture
        return np.asarray(np.sqrt(noise + learned + self.drift * self.outside(time)))

    def outside(self, time: Floats) -> Floats:
        """Return how many years each time lies outside the evidence's days."""
        return np.asarray(np.maximum(time - self.last, 0.0) + np.maximum(self.first - time, 0.0))

    def ends(self, levels: Sequence[float]) -> tuple[Floats, Floats]:
        """Return (levels,) low and high ends of ranges, in scales, for rows without unknown losses."""
        low = np.array([-_quantile(-self.shape[::-1], (1 + level) / 2) for level in levels])
        high = np.array([_quantile(self.shape, (1 + level) / 2) for level in levels])
        return np.minimum(low, -1e-3), np.maximum(high, 1e-3)

    def state(self) -> dict[str, Any]:
        """Return the spread as JSON, without `shape`."""
        return {name: value for name, value in asdict(self).items() if name != "shape"}


def read_spread(state: Mapping[str, Any], shape: Floats) -> Spread:
    """Read a spread that `Spread.state` returned, with its shape."""
    noise = dict(state["noise"])
    noise["value"] = tuple(noise["value"])
    moments = {column: Moments(*own) for column, own in state["loss_moments"].items()}
    return Spread(**{**state, "noise": Noise(**noise), "loss_moments": moments, "shape": shape})


def _quantile(ascending: Floats, p: float) -> float:
    """Return the k-th smallest of n numbers, k = ⌈(n + 1) p⌉, or `_BEYOND` times the largest if k > n."""
    n = len(ascending)
    k = math.ceil((n + 1) * p - 1e-9)
    return float(ascending[k - 1]) if k <= n else float(ascending[-1]) * _BEYOND
