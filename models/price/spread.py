"""How far a price may lie from its value: a local scale, and one distribution of scaled residuals.

scale² = noise(x) + g · posterior variance + κ · Σ variance of each unknown field's effect + market drift
since the last evidence. Residuals of sales left out of the fit, over their scale, give the quantiles
(cross-conformal: Vovk 2015); the k-th smallest of n with k = ⌈(n + 1) p⌉ (Lei et al. 2018).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.price.basis import Floats, Table, Unknown

# Beyond the largest residual there is no evidence: a level that asks for more gets this multiple of it.
_BEYOND = 1.25


@dataclass(frozen=True)
class Noise:
    """log noise variance = intercept + Σ level effects + polynomial in the standardised log value."""

    intercept: float
    levels: Mapping[str, Mapping[str, float]]
    value: tuple[float, ...]  # coefficients of z, z², …
    center: float
    scale: float

    def variance(self, table: Table, value: Floats) -> Floats:
        """(n,) noise variance at these log values."""
        log = np.full(len(value), self.intercept)
        for column, effects in self.levels.items():
            log = log + np.array([effects.get(level, 0.0) for level in table[column]])
        z = np.clip((value - self.center) / self.scale, -2.0, 2.0)
        for power, coefficient in enumerate(self.value, 1):
            log = log + coefficient * z**power
        return np.asarray(np.exp(log), np.float64)


@dataclass(frozen=True)
class Spread:
    """The scale of every row and the distribution of what is left.

    `hidden`: column → variance of its effect where known. `drift`: variance a year beyond `last` on the
    `time` column ("" where there is no time). `shape`: (n,) sorted scaled residuals of left-out sales.
    """

    noise: Noise
    posterior: float
    unknown: float
    hidden: Mapping[str, float]
    time: str
    last: float
    drift: float
    shape: Floats

    def scale(self, table: Table, value: Floats, posterior: Floats) -> Floats:
        """(n,) standard scale in log."""
        variance = self.noise.variance(table, value) + self.posterior * posterior
        variance = variance + self.unknown * hidden_variance(self.hidden, table, len(value))
        if self.time:
            beyond = np.maximum(table[self.time] - self.last, 0.0)
            variance = variance + self.drift * np.minimum(beyond, 5.0)
        return np.sqrt(variance)

    def ends(self, levels: Sequence[float]) -> tuple[Floats, Floats]:
        """(levels,) lower and upper end of each central level, in scales from the value."""
        low = np.array([-_quantile(-self.shape[::-1], (1 + level) / 2) for level in levels])
        high = np.array([_quantile(self.shape, (1 + level) / 2) for level in levels])
        return np.minimum(low, -1e-3), np.maximum(high, 1e-3)

    def state(self) -> dict[str, Any]:
        """As JSON, without `shape`."""
        noise = {
            "intercept": self.noise.intercept,
            "levels": {c: dict(e) for c, e in self.noise.levels.items()},
            "value": list(self.noise.value),
            "center": self.noise.center,
            "scale": self.noise.scale,
        }
        rest = ("posterior", "unknown", "time", "last", "drift")
        return {"noise": noise, "hidden": dict(self.hidden), **{name: getattr(self, name) for name in rest}}


def read_spread(state: Mapping[str, Any], shape: Floats) -> Spread:
    """The spread that `state()` described, with its shape."""
    s = dict(state)
    noise = dict(s.pop("noise"))
    noise["value"] = tuple(noise["value"])
    return Spread(noise=Noise(**noise), shape=shape, **s)


def hidden_variance(hidden: Mapping[str, float], table: Table, rows: int) -> Floats:
    """(rows,) summed variance of the effects of the fields that are unknown."""
    total = np.zeros(rows)
    for column, variance in hidden.items():
        total = total + variance * Unknown(column).rows(table)[1][:, 0]
    return total


def hidden_difference(hidden: Mapping[str, float], one: Table, other: Table, rows: int) -> Floats:
    """(rows,) summed variance of the effects of the fields that only one of two rows does not know."""
    total = np.zeros(rows)
    for column, variance in hidden.items():
        unknown = Unknown(column)
        total = total + variance * np.abs(unknown.rows(one)[1][:, 0] - unknown.rows(other)[1][:, 0])
    return total


def _quantile(ascending: Floats, p: float) -> float:
    """The k-th smallest of n, k = ⌈(n + 1) p⌉; past the n-th a multiple of it."""
    n = len(ascending)
    k = math.ceil((n + 1) * p - 1e-9)
    return float(ascending[k - 1]) if k <= n else float(ascending[-1]) * _BEYOND
