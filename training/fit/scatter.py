"""Fit the spread on left-out residuals of sales: which values scatter more, and the shape of the scatter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize

from models.price.backbone import LEVEL
from models.price.basis import Floats, Ramps, Table, product
from models.price.spread import Noise, Spread
from training.fit.hiding import variance_of_unknown
from training.fit.problem import Problem
from training.fit.solve import Estimate

_TAILS = 6.0
_RIDGE = 8.0  # pull of every coefficient of the log variance towards 0
_LEAST_UNKNOWN = 0.1  # what is not known is never without a cost
_LEAST_POSTERIOR = 0.5


def fit_spread(
    table: Table,
    value: Floats,
    residual: Floats,
    posterior: Floats,
    mixture: Floats,
    *,
    columns: Sequence[str],
    hidden: Mapping[str, float],
    time: str,
    drift: float,
) -> Spread:
    """The spread of n left-out sales: (n,) values, residuals, posterior and mixture variances, all in log.

    `columns`: level columns whose levels may scatter differently. Maximises a Student-t likelihood with a
    ridge on the log-variance coefficients.
    """
    levels = {c: tuple(sorted({str(v) for v in table[c]})) for c in columns}
    dummies = [(table[c] == level).astype(np.float64) for c in columns for level in levels[c]]
    center, scale = float(value.mean()), float(value.std()) or 1.0
    z = np.clip((value - center) / scale, -2.0, 2.0)
    x = np.stack([np.ones(len(value)), z, z**2, *dummies], axis=1)
    unknown = variance_of_unknown(hidden, table)
    theta = _maximise(x, unknown, residual, posterior, mixture)
    effects, place = {}, 3
    for c in columns:
        effects[c] = {level: float(theta[place + i]) for i, level in enumerate(levels[c])}
        place += len(levels[c])
    noise = Noise(float(theta[0]), effects, (float(theta[1]), float(theta[2])), center, scale)
    g, kappa = _LEAST_POSTERIOR + float(np.exp(theta[-2])), _LEAST_UNKNOWN + float(np.exp(theta[-1]))
    days = table[time] if time else np.zeros(len(value))
    raw = Spread(noise, g, kappa, dict(hidden), float(days.min()), float(days.max()), drift, np.zeros(0))
    of_levels = x[:, 3:] @ theta[3:-2]
    scale = raw.scale(noise.variance(of_levels, value), posterior, unknown, mixture, days)
    return replace(raw, shape=np.sort(residual / scale))


def _maximise(x: Floats, unknown: Floats, residual: Floats, posterior: Floats, mixture: Floats) -> Floats:
    start = np.zeros(x.shape[1] + 2)
    start[0] = 2 * np.log(np.median(np.abs(residual)) / 0.6745 + 1e-6) - 0.3
    start[-2:] = np.log([0.5, 0.5])
    anchor = start.copy()
    scale_factor = (_TAILS - 2) / _TAILS

    def loss(theta: Floats) -> float:
        base = np.exp(np.clip(x @ theta[:-2], -20, 5))
        g, kappa = _LEAST_POSTERIOR + np.exp(theta[-2]), _LEAST_UNKNOWN + np.exp(theta[-1])
        s2 = (base + g * posterior + kappa * unknown + mixture) * scale_factor
        density = -0.5 * np.log(s2) - (_TAILS + 1) / 2 * np.log1p(residual**2 / (_TAILS * s2))
        penalty = _RIDGE / 2 * float(((theta - anchor)[1:-2] ** 2).sum()) + 0.5 * float(
            ((theta - anchor)[-2:] ** 2).sum()
        )
        return penalty - float(density.sum())

    bounds = [(-15, 5)] + [(-4, 4)] * (len(start) - 1)
    # To the end: else where it stops would depend on the order of the columns.
    found = minimize(loss, start, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13, "gtol": 1e-7})
    return np.asarray(found.x, np.float64)


def drift_of(problem: Problem, est: Estimate, time: str) -> float:
    """Variance a year of what the market may do outside the evidence's days.

    The prior variance of its walks, and the mean squared change of its index from year to year about their
    mean: a market that wandered while it was watched wanders on.
    """
    total = 0.0
    layout = problem.layout
    for block in layout.blocks:
        basis = block.bases[-1]
        # One ramp alone is a trend, not a walk.
        if isinstance(basis, Ramps) and basis.size > 1 and basis.column == time and block.role == LEVEL:
            spacing = basis.knots[1] - basis.knots[0]
            tau2 = float(est.tau2[layout.groups.index(block.group)])
            total += 0.0 if tau2 < 2.5e-5 else tau2 / spacing
    return total + _yearly_variance(problem, est, time)


def _yearly_variance(problem: Problem, est: Estimate, time: str) -> float:
    layout, start, ends = problem.layout, 0, []
    own = []
    for block in layout.blocks:
        if block.columns == (time,) and block.role == LEVEL:
            own.append((block, start))
            ends += [basis.knots[0] for basis in block.bases if isinstance(basis, Ramps)]
            ends += [basis.knots[-1] for basis in block.bases if isinstance(basis, Ramps)]
        start += block.size
    if not own or max(ends) - min(ends) < 3:
        return 0.0
    years = np.arange(min(ends), max(ends), 1.0)
    index = np.zeros(len(years))
    for block, first in own:
        at, value = product(block.bases, {time: years})
        index += (est.theta[first + at] * value).sum(axis=1)
    return float(np.var(np.diff(index)))
