"""Prices scatter around their values by a local scale and one distribution of scaled residuals.

scale² = noise(x) + g · posterior variance + Σ variance of each unknown loss
       + variance of what the level's blanks may turn out to be + market drift outside the evidence's days

Residuals of sales left out of the fit, over their scale, give the quantiles (cross-conformal: Vovk 2015); the
k-th smallest of n with k = ⌈(n + 1) p⌉ (Lei et al. 2018). Unknown losses lie to one side: each residual is
first brought to what is as probable where all losses are known, and the ends of a range are brought back
(`models.price.core.lopsided`; conformal by a model of the distribution: Chernozhukov et al. 2021).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np

from models.price.core.basis import Floats

# Beyond the largest residual there is no evidence: a level that asks for more gets this multiple of it.
_BEYOND = 1.25
# No value counts as surer than this share of a sale's noise variance: the count of sales needs an end.
LEAST_UNSURE = 1e-4


class Moments(NamedTuple):
    """Variance and third central moment of the effect of a loss, in log."""

    variance: float
    third: float


@dataclass(frozen=True)
class Noise:
    """log noise variance = intercept + Σ level effects + polynomial in the standardised log value.

    `levels`: column → level → its effect.
    """

    intercept: float
    levels: Mapping[str, Mapping[str, float]]
    value: tuple[float, ...]  # coefficients of z, z², …
    center: float
    scale: float

    def variance(self, effects: Floats, value: Floats) -> Floats:
        """(n,) noise variance at these sums of level effects and these log values."""
        log = self.intercept + effects
        z = np.clip((value - self.center) / self.scale, -2.0, 2.0)
        for power, coefficient in enumerate(self.value, 1):
            log = log + coefficient * z**power
        return np.asarray(np.exp(log), np.float64)


@dataclass(frozen=True)
class Spread:
    """The scale of every row and the distribution of what is left.

    `posterior`: the factor g. `loss_moments`: loss column → moments of its effect where known.
    `first`, `last`: years of the evidence's first and last day. `drift`: variance a year outside them.
    `shape`: (n,) sorted scaled residuals of left-out sales, as they were had all their losses been known.
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
        """(n,) standard scale in log, from the (n,) noise variance and the parts of `Evaluator`."""
        outside = np.maximum(time - self.last, 0.0) + np.maximum(self.first - time, 0.0)
        learned = self.posterior * posterior + unknown + mixture
        return np.asarray(np.sqrt(noise + learned + self.drift * outside))

    def ends(self, levels: Sequence[float]) -> tuple[Floats, Floats]:
        """(levels,) lower and upper end of each central level where all losses are known, in scales."""
        low = np.array([-_quantile(-self.shape[::-1], (1 + level) / 2) for level in levels])
        high = np.array([_quantile(self.shape, (1 + level) / 2) for level in levels])
        return np.minimum(low, -1e-3), np.maximum(high, 1e-3)

    def state(self) -> dict[str, Any]:
        """As JSON, without `shape`."""
        return {name: value for name, value in asdict(self).items() if name != "shape"}


def read_spread(state: Mapping[str, Any], shape: Floats) -> Spread:
    """The spread that `state()` described, with its shape."""
    noise = dict(state["noise"])
    noise["value"] = tuple(noise["value"])
    moments = {column: Moments(*own) for column, own in state["loss_moments"].items()}
    return Spread(**{**state, "noise": Noise(**noise), "loss_moments": moments, "shape": shape})


def _quantile(ascending: Floats, p: float) -> float:
    """The k-th smallest of n, k = ⌈(n + 1) p⌉; past the n-th a multiple of it."""
    n = len(ascending)
    k = math.ceil((n + 1) * p - 1e-9)
    return float(ascending[k - 1]) if k <= n else float(ascending[-1]) * _BEYOND
