"""Extrapolate error and range to more records, by a curve through fits on parts of the records, with a band.

A measure of error or range is taken as a + b · n^(−c) for n sales, with b ≥ 0 and c from ¼ to 1. Its limit a
is at least what the noise of sales alone leaves, as even a perfect value differs from a price.
"""

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

TIMES = (1, 2, 4)  # Multiples of the present number of sales.
LEAST_SIZES = 3
BAND = 0.8
_POWERS = np.linspace(0.25, 1.0, 16)
_DRAWS = 300
_MOST_SALES = 1000  # The noise is averaged over at most this many sales.


class Curve(NamedTuple):
    """The curve a + b · n^(−c) of a measure by the number n of sales."""

    a: float
    b: float
    c: float

    def at(self, n: Floats) -> Floats:
        """Return the (k,) values of the curve at k numbers of sales."""
        return np.asarray(self.a + self.b * np.asarray(n, np.float64) ** -self.c)


@dataclass(frozen=True)
class Expected:
    """One measure extrapolated to k numbers of `sales`.

    `values`: (k,) the measure; `low`, `high`: (k,) ends of its band. `floor`: the measure that the noise of
    sales alone leaves.
    """

    floor: float
    curve: Curve
    sales: Floats
    values: Floats
    low: Floats
    high: Floats


def curve_through(n: Floats, y: Floats, floor: float) -> Curve:
    """Fit a curve to measures y at n sales by least squares, with a no less than min(`floor`, least y)."""
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
    """Extrapolate each measure to these numbers of sales. Return None with fewer than three sizes.

    The band holds the middle 80% of bootstrap curves. Each draws specimens with replacement, the same for all
    sizes, and fits of each size. Normal noise, as large as the distance of the measured sizes from their own
    curve, is added to the drawn measures.
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
        # With very few sales, a draw can miss every specimen that the picked fits were judged by.
        some = any(times[trial.specimen].any() for trial in picked)
        out.append(measured(picked, times if some else None))
    return out


def floors_of(model: GuitarModel, rows: Sequence[Evidence]) -> Measures:
    """Return the measures that the noise of these sales would leave if every value were known exactly."""
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
    """Return the curves and extrapolated measures as JSON; None if `found` is None."""
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
