"""Fit the spread on left-out residuals of sales: which values scatter more, and the shape of the scatter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.optimize import minimize

from models.price.basis import Floats, Table
from models.price.spread import Noise, Spread, hidden_variance

_TAILS = 6.0
_RIDGE = 8.0  # pull of every coefficient of the log variance towards 0
_LEAST_UNKNOWN = 0.1  # what is not known is never without a cost
_LEAST_POSTERIOR = 0.5


def fit_spread(
    table: Table,
    value: Floats,
    residual: Floats,
    posterior: Floats,
    *,
    columns: Sequence[str],
    hidden: Mapping[str, float],
    time: str,
    drift: float,
) -> Spread:
    """The spread of n left-out sales: (n,) values, residuals and posterior variances, all in log.

    `columns`: level columns whose levels may scatter differently. Maximises a Student-t likelihood with a
    ridge on the log-variance coefficients.
    """
    levels = {c: tuple(sorted({str(v) for v in table[c]})) for c in columns}
    dummies = [(table[c] == level).astype(np.float64) for c in columns for level in levels[c]]
    center, scale = float(value.mean()), float(value.std()) or 1.0
    z = np.clip((value - center) / scale, -2.0, 2.0)
    x = np.stack([np.ones(len(value)), z, z**2, *dummies], axis=1)
    unknown = hidden_variance(hidden, table, len(value))
    theta = _maximise(x, unknown, residual, posterior)
    effects, place = {}, 3
    for c in columns:
        effects[c] = {level: float(theta[place + i]) for i, level in enumerate(levels[c])}
        place += len(levels[c])
    noise = Noise(float(theta[0]), effects, (float(theta[1]), float(theta[2])), center, scale)
    g, kappa = _LEAST_POSTERIOR + float(np.exp(theta[-2])), _LEAST_UNKNOWN + float(np.exp(theta[-1]))
    last = float(np.nanmax(table[time])) if time else 0.0
    raw = Spread(noise, g, kappa, dict(hidden), time, last, drift, np.zeros(0))
    scaled = residual / raw.scale(table, value, posterior)
    return Spread(noise, g, kappa, dict(hidden), time, last, drift, np.sort(scaled))


def _maximise(x: Floats, unknown: Floats, residual: Floats, posterior: Floats) -> Floats:
    start = np.zeros(x.shape[1] + 2)
    start[0] = 2 * np.log(np.median(np.abs(residual)) / 0.6745 + 1e-6) - 0.3
    start[-2:] = np.log([0.5, 0.5])
    anchor = start.copy()
    scale_factor = (_TAILS - 2) / _TAILS

    def loss(theta: Floats) -> float:
        base = np.exp(np.clip(x @ theta[:-2], -20, 5))
        g, kappa = _LEAST_POSTERIOR + np.exp(theta[-2]), _LEAST_UNKNOWN + np.exp(theta[-1])
        s2 = (base + g * posterior + kappa * unknown) * scale_factor
        density = -0.5 * np.log(s2) - (_TAILS + 1) / 2 * np.log1p(residual**2 / (_TAILS * s2))
        penalty = _RIDGE / 2 * float(((theta - anchor)[1:-2] ** 2).sum()) + 0.5 * float(
            ((theta - anchor)[-2:] ** 2).sum()
        )
        return penalty - float(density.sum())

    bounds = [(-15, 5)] + [(-4, 4)] * (len(start) - 1)
    # To the end: else where it stops would depend on the order of the columns.
    found = minimize(loss, start, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13, "gtol": 1e-7})
    return np.asarray(found.x, np.float64)
