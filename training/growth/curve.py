"""A curve through the sizes that were tried, carried on to more records, with an honest band.

A measure of n sales is taken as a + b · n^(−c) with b ≥ 0, c from ¼ to 1, and a no less than what the noise
of sales alone makes of it: a perfect value still differs from a price.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import nnls

from models.domain.evidence import Evidence
from models.price.core.basis import Floats
from models.price.instruments.model import GuitarModel
from models.study.judge import only_sales
from training.growth.measure import LEVEL, Measures, Size, measured

TIMES = (1, 2, 4)  # of the records there are
LEAST_SIZES = 3
BAND = 0.8
_POWERS = np.linspace(0.25, 1.0, 16)
_DRAWS = 300
_MOST_SALES = 1000  # that the noise is averaged over


class Curve(NamedTuple):
    """a + b · n^(−c)."""

    a: float
    b: float
    c: float

    def at(self, n: Floats) -> Floats:
        """(k,) its values at these numbers of sales."""
        return np.asarray(self.a + self.b * np.asarray(n, np.float64) ** -self.c)


@dataclass(frozen=True)
class Expected:
    """A measure's `floor`, its `curve`, and `values`, `low`, `high` of it at `sales`, (k,) each."""

    floor: float
    curve: Curve
    sales: Floats
    values: Floats
    low: Floats
    high: Floats


def curve_through(n: Floats, y: Floats, floor: float) -> Curve:
    """The curve of least squares, in which a is no less than `floor` or, where that is less, the least y."""
    floor, scale = min(floor, float(y.min())), float(n.max())
    found = []
    for c in _POWERS:
        x = np.column_stack([np.ones(len(n)), (n / scale) ** -c])
        (a, b), left = nnls(x, y - floor)
        found.append((left, Curve(floor + float(a), float(b) * scale**c, float(c))))
    return min(found, key=lambda one: one[0])[1]


def expected(
    sizes: Sequence[Size], floors: Measures, sales: Sequence[float], *, draws: int = _DRAWS, seed: int = 0
) -> dict[str, Expected] | None:
    """Each measure at these numbers of sales; None with fewer than three sizes.

    The band holds the middle 80% of curves through sizes measured anew: on specimens drawn with replacement,
    the same for all sizes, and on as many fits of each size, drawn likewise. As far as the measured sizes lie
    off their curve, these are moved off theirs.
    """
    if len(sizes) < LEAST_SIZES:
        return None
    n, at = np.array([size.sales for size in sizes]), np.array(sales, np.float64)
    again = np.array([_measured_anew(sizes, rng) for rng in np.random.default_rng(seed).spawn(draws)])
    whole = np.array([measured(size.trials) for size in sizes])
    moved = np.random.default_rng([seed, 1]).normal(size=again.shape)
    out = {}
    for k, (name, floor) in enumerate(floors._asdict().items()):
        curve = curve_through(n, whole[:, k], floor)
        # Three sizes and two coefficients beside the power leave one degree of freedom.
        off = math.sqrt(float(((whole[:, k] - curve.at(n)) ** 2).sum()) / (len(n) - 2))
        ys = again[:, :, k] + off * moved[:, :, k]
        others = np.array([curve_through(n, y, floor).at(at) for y in ys])
        low, high = np.quantile(others, [(1 - BAND) / 2, (1 + BAND) / 2], axis=0)
        values = curve.at(at)
        out[name] = Expected(floor, curve, at, values, np.minimum(low, values), np.maximum(high, values))
    return out


def _measured_anew(sizes: Sequence[Size], rng: np.random.Generator) -> list[Measures]:
    count = 1 + max(int(trial.specimen.max()) for size in sizes for trial in size.trials)
    times = np.bincount(rng.integers(0, count, count), minlength=count)
    out = []
    for size in sizes:
        picked = [size.trials[at] for at in rng.integers(0, len(size.trials), len(size.trials))]
        # A draw of very few sales can miss all that the picked fits were judged by.
        some = any(times[trial.specimen].any() for trial in picked)
        out.append(measured(picked, times if some else None))
    return out


def floors_of(model: GuitarModel, rows: Sequence[Evidence]) -> Measures:
    """The measures that the noise of these sales alone would leave, were every value known exactly."""
    sales = only_sales(rows)
    some = [sales[at] for at in np.linspace(0, len(sales) - 1, min(len(sales), _MOST_SALES)).astype(int)]
    spread = model.core.spread
    assert spread is not None
    noise = model.noise_sd([sale.subject for sale in some])
    low, high = spread.ends((LEVEL,))
    off = np.abs(np.expm1(np.outer(noise, spread.shape[:: max(len(spread.shape) // _MOST_SALES, 1)])))
    return Measures(
        float(100 * np.median(off)),
        float(np.sqrt((noise**2).mean()) * spread.shape.std()),
        float(noise.mean() * (high - low)[0]),
    )


def as_json(found: Mapping[str, Expected] | None) -> dict[str, Any] | None:
    """The curves and what they say at every number of sales."""
    if found is None:
        return None
    return {
        name: {
            "floor": one.floor,
            **one.curve._asdict(),
            "at": [
                {"sales": round(n), "value": value, "low": low, "high": high}
                for n, value, low, high in zip(
                    one.sales.tolist(), one.values.tolist(), one.low.tolist(), one.high.tolist(), strict=True
                )
            ],
        }
        for name, one in found.items()
    }
