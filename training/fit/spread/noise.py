"""Fit the spread to residuals of left-out sales: which prices scatter more, and the shape of the scatter."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy.linalg as sl
from scipy.optimize import minimize
from scipy.stats import t as student_t

from models.price.core.basis import Floats, Table
from models.price.core.lopsided import DEGREES_OF_FREEDOM, heavy_of, straightened
from models.price.core.spread import Moments, Noise, Spread
from training.fit.solve.missing_losses import moments_of_unknown

_DEGREES = float(DEGREES_OF_FREEDOM)
_RIDGE = 8.0  # Precision of the prior that draws every coefficient of the log variance to 0.
_LEAST_UNKNOWN = 0.1  # Least factor on the variance of unknown losses.
_LEAST_POSTERIOR = 0.5  # Least factor on the variance of the value by the fit.
_SCALE = (_DEGREES - 2) / _DEGREES  # Squared scale of a Student distribution with variance 1.
_LOG_NOISE = (-20.0, 5.0)  # Limits of the log noise variance.
_ENOUGH = 20  # With fewer sales, a usual noise and a usual shape stand for the missing ones.
_USUAL_NOISE = 0.25  # Usual standard deviation of prices of like instruments, in log.
_NEWTON = 20  # Most Newton steps; two or three are usually enough.


@dataclass(frozen=True)
class LeftOutSales:
    """The n left-out sales, with (n,) values, residuals and variances in log.

    `posterior`: variance of the value by the fit. `mixture`: variance of what blank fields may be.
    """

    table: Table
    value: Floats
    residual: Floats
    posterior: Floats
    mixture: Floats

    def followed_by(self, others: "LeftOutSales") -> "LeftOutSales":
        """Return these sales followed by the others."""
        both = {name: np.concatenate([values, others.table[name]]) for name, values in self.table.items()}
        names = ("value", "residual", "posterior", "mixture")
        return LeftOutSales(both, *(np.concatenate([getattr(self, n), getattr(others, n)]) for n in names))


def fit_spread(
    sales: LeftOutSales,
    count: int,
    *,
    columns: Sequence[str],
    loss_moments: Mapping[str, Moments],
    time: str,
    drift: float,
) -> Spread:
    """Fit the spread to left-out sales.

    All sales determine how the scale grows, but only the first `count` the shape of the scatter. `columns`:
    columns of categories that may differ in noise variance. The fit maximises a Student-t likelihood with a
    ridge on the log-variance coefficients. Its factor on the variance of unknown losses is not kept: large
    losses lie on one side and distort a symmetric scale, and their variance is known.
    """
    table, value = sales.table, sales.value
    levels = {c: tuple(sorted({str(v) for v in table[c]})) for c in columns}
    dummies = [(table[c] == level).astype(np.float64) for c in columns for level in levels[c]]
    center, scale = float(value.mean()), float(value.std()) or 1.0
    z = np.clip((value - center) / scale, -2.0, 2.0)
    x = np.stack([np.ones(len(value)), z, z**2, *dummies], axis=1)
    unknown, third = moments_of_unknown(loss_moments, table)
    moments = zip(unknown.tolist(), third.tolist(), strict=True)
    heavy, chance = np.array([heavy_of(*one) for one in moments]).T
    missing = max(_ENOUGH - count, 0)
    theta = maximised(Likelihood(x, unknown, sales.residual, sales.posterior, sales.mixture, missing))
    effects, position = {}, 3
    for c in columns:
        effects[c] = {level: float(theta[position + i]) for i, level in enumerate(levels[c])}
        position += len(levels[c])
    noise = Noise(float(theta[0]), effects, (float(theta[1]), float(theta[2])), center, scale)
    of_levels, g = noise.variance(x[:, 3:] @ theta[3:-2], value), _LEAST_POSTERIOR + float(np.exp(theta[-2]))
    days = table[time] if time else np.zeros(len(value))
    raw = Spread(noise, g, dict(loss_moments), float(days.min()), float(days.max()), drift, np.zeros(0))
    around = raw.scale(of_levels, sales.posterior, unknown, sales.mixture, days)
    shape = straightened(sales.residual / around, heavy / around**2, chance)
    return replace(raw, shape=np.sort(np.concatenate([shape[:count], _usual(missing)])))


def _usual(count: int) -> Floats:
    """Return (count,) evenly spaced quantiles of a Student distribution of variance 1."""
    shares = (np.arange(count) + 0.5) / max(count, 1)
    return np.asarray(student_t.ppf(shares, _DEGREES) * math.sqrt(_SCALE))


@dataclass(frozen=True)
class Likelihood:
    """The Student-t likelihood of the spread on n left-out sales, and its ridge, as a loss to be minimised.

    `x`: (n, k) columns of the log noise variance, the intercept first. Its parameters are (k + 2,): the
    coefficients of `x`, then the logs of how far the factors on `posterior` (variance of the fit) and on
    `unknown` (variance of unknown losses) exceed their least. `missing`: number of sales missing up to
    `_ENOUGH`; the prior for the usual noise weighs as much as this many sales.
    """

    x: Floats
    unknown: Floats
    residual: Floats
    posterior: Floats
    mixture: Floats
    missing: int = 0

    @cached_property
    def start(self) -> Floats:
        """The (k + 2,) parameters from which the search starts, and towards which the ridge draws."""
        start = np.zeros(self.x.shape[1] + 2)
        start[0] = 2 * np.log(np.median(np.abs(self.residual)) / 0.6745 + 1e-6) - 0.3
        if self.missing:
            start[0] = 2 * math.log(_USUAL_NOISE)
        start[-2:] = np.log([0.5, 0.5])
        return start

    def loss(self, theta: Floats) -> tuple[float, Floats]:
        """Return the negative log of likelihood times prior, and its (k + 2,) gradient."""
        variance, share, far = self._terms(theta)
        s2 = variance * _SCALE
        density = -0.5 * np.log(s2) - (_DEGREES + 1) / 2 * np.log1p(self.residual**2 / (_DEGREES * s2))
        away = theta - self.start
        penalty = 0.5 * float(self._ridge @ away**2)
        slope = self._along(share, 0.5 - (_DEGREES + 1) / 2 * far) + self._ridge * away
        return penalty - float(density.sum()), slope

    def curvature(self, theta: Floats) -> Floats:
        """Return the (k + 2, k + 2) second derivatives of the loss."""
        _, share, far = self._terms(theta)
        first, second = 0.5 - (_DEGREES + 1) / 2 * far, (_DEGREES + 1) / 2 * far * (1 - far)
        columns = np.concatenate([self.x * share[:, :1], share[:, 1:]], axis=1)
        out = columns.T @ (columns * (second - first)[:, None])
        out[:-2, :-2] += self.x.T @ (self.x * (first * share[:, 0])[:, None])
        out[np.diag_indices(len(theta))] += self._ridge
        out[-2:, -2:] += np.diag(first @ share[:, 1:])
        return np.asarray(out)

    def _terms(self, theta: Floats) -> tuple[Floats, Floats, Floats]:
        """Return (n,) variances, (n, 3) derivatives of their logs, and (n,) outlyingness from 0 to 1."""
        log_noise = self.x @ theta[:-2]
        noise, (g, kappa) = np.exp(np.clip(log_noise, *_LOG_NOISE)), np.exp(theta[-2:])
        variance = noise + (_LEAST_POSTERIOR + g) * self.posterior + (_LEAST_UNKNOWN + kappa) * self.unknown
        variance += self.mixture
        moves = (log_noise > _LOG_NOISE[0]) & (log_noise < _LOG_NOISE[1])
        share = np.stack([noise * moves, g * self.posterior, kappa * self.unknown], axis=1)
        far = self.residual**2 / (_DEGREES * variance * _SCALE + self.residual**2)
        return variance, share / variance[:, None], far

    def _along(self, share: Floats, slope: Floats) -> Floats:
        """Return the (k + 2,) gradient by the parameters, from the (n,) slopes by each row's log variance."""
        return np.concatenate([self.x.T @ (slope * share[:, 0]), slope @ share[:, 1:]])

    @cached_property
    def _ridge(self) -> Floats:
        ridge = np.full(self.x.shape[1] + 2, _RIDGE)
        # A log variance is known from n rows with a precision of n / 2.
        ridge[0], ridge[-2:] = self.missing / 2, 1.0
        return ridge


def maximised(likelihood: Likelihood) -> Floats:
    """Return the (k + 2,) likeliest parameters, to the last digits that the rows determine.

    A search stops where the loss no longer changes, which leaves half of the digits to chance: to the order
    of the columns, and to the order in which a processor sums. Newton steps then find these digits.
    """
    low, high = np.array([(-15.0, 5.0)] + [(-4.0, 4.0)] * (len(likelihood.start) - 1)).T
    found = minimize(
        likelihood.loss,
        likelihood.start,
        jac=True,
        method="L-BFGS-B",
        bounds=np.stack([low, high], axis=1),
        options={"ftol": 1e-13, "gtol": 1e-7},
    )
    best = theta = np.asarray(found.x, np.float64)
    left = math.inf
    for _ in range(_NEWTON):
        slope = likelihood.loss(theta)[1]
        # A parameter at a bound stays there if the loss falls beyond it.
        free = ((theta > low) | (slope < 0)) & ((theta < high) | (slope > 0))
        steepest = float(np.abs(slope[free]).max(initial=0.0))
        if not steepest < left:
            break
        best, left = theta, steepest
        try:
            factor = sl.cho_factor(likelihood.curvature(best)[np.ix_(free, free)])
        except sl.LinAlgError:
            break
        step = np.zeros(len(best))
        step[free] = sl.cho_solve(factor, slope[free])
        theta = np.clip(best - step, low, high)
    return best
