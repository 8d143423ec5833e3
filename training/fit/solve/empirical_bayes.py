"""Fit the regression (backbone) by empirical Bayes: coefficients, prior variances, heavy-tailed noise.

Gauss–Newton steps handle the saturating losses. Student-t noise is fitted for each kind of evidence by
iterated weights (Lange, Little & Taylor 1989), and prior variances by the evidence updates of MacKay (1992),
damped towards EM.
"""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import scipy.linalg as sl
from scipy.special import gammaln

from models.price.core.basis import Floats, Ints
from training.fit.design.problem import Layout, Problem
from training.fit.solve.fitted_values import jacobian, predict
from training.fit.solve.normal_equations import bounded, squares_of, with_stated
from training.fit.solve.solution import (
    Solution,
    layout_dropped,
    prior_means,
    prior_precision,
    robust_weight,
    stated,
    stated_variances,
    weights,
)

_DEGREES = np.array([2.2, 2.6, 3.2, 4.0, 5.0, 6.5, 9.0, 14.0, 30.0, 100.0])
_TAU2_FLOOR, _TAU2_CEILING, _SCALE_CEILING = 1e-6, 4.0, 0.09
_SETTLED = 1.5e-3  # Root mean square change of the fitted log prices at which iteration stops.
# With fewer sales than the first, the second stands for the noise variance of the missing ones: prices of
# like instruments differ by a fifth.
_ENOUGH, _USUAL_NOISE2 = 20, 0.04
_ABOVE = 1.01  # A prior variance within this factor of the least that statements allow counts as that least.


def fit_backbone(
    problem: Problem,
    first: Solution,
    *,
    most: int = 30,
    learn: bool = True,
    step_done: Callable[[], object] = lambda: None,
) -> Solution:
    """Iterate from `first` to convergence, at most `most` steps. `learn`: also learn all variances."""
    est = first
    before = predict(problem.layout, problem.x, est.theta, est.cap)
    for step in range(most):
        new = _step(problem, est, step, learn)
        step_done()
        now = predict(problem.layout, problem.x, new.theta, new.cap)
        moved = float(np.sqrt(((now - before) ** 2).mean()))
        turned = float(np.abs(np.log(new.sigma2 / est.sigma2)).max())
        est, before = new, now
        if step >= 4 and moved < _SETTLED and turned < 0.02:
            break
    return est


def _step(problem: Problem, est: Solution, step: int, learn: bool) -> Solution:
    layout, p = problem.layout, len(est.theta)
    jac = jacobian(layout, problem.x, est.theta, est.cap)
    residual = problem.y - predict(layout, problem.x, est.theta, est.cap)
    w = weights(problem, residual, est)
    keep = np.flatnonzero(~layout_dropped(est)[layout.group] | layout.flat[layout.group])
    jac = jac[:, keep]
    squares = [squares_of(jac[own], w[own]) for own in _rows_by_kind(problem)]
    a = np.sum(squares, axis=0)
    a[np.diag_indices(len(keep))] += prior_precision(layout, est.tau2)[keep]
    b = jac.T @ (w * (residual + jac @ est.theta[keep]))
    a, b = with_stated(problem, est, a, b, keep)
    theta_kept, factor, free = bounded(a, b, layout.nonnegative[keep])
    theta = np.zeros(p)
    theta[keep] = theta_kept
    covariance = sl.cho_solve((factor, True), np.eye(int(free.sum())), check_finite=False)
    log_det = 2 * float(np.log(np.diag(factor)).sum())
    new = replace(est, theta=theta, active=keep[free], covariance=covariance)
    if learn:
        # Σ w · xᵀCx is the trace of (Σ w · xxᵀ) C, so no second pass over the rows is needed.
        sums = [float((one[np.ix_(free, free)] * covariance).sum()) for one in squares]
        totals = np.bincount(problem.kind, w)
        new = _learn(problem, new, np.divide(sums, totals, out=np.zeros(len(sums)), where=totals > 0), step)
    return replace(new, log_evidence=_log_evidence(problem, new, log_det))


def _rows_by_kind(problem: Problem) -> list[Ints]:
    return [np.flatnonzero(problem.kind == kind) for kind in range(int(problem.kind.max()) + 1)]


def _learn(problem: Problem, est: Solution, posterior: Floats, step: int) -> Solution:
    """Update prior variances and noise. `posterior`: (kinds,) weighted mean variance of the fitted values."""
    tau2 = _prior_variances(problem, est, first=step < 2)
    residual = problem.y - predict(problem.layout, problem.x, est.theta, est.cap)
    sigma2, freedom = est.sigma2.copy(), est.degrees_of_freedom.copy()
    for kind, own in enumerate(_rows_by_kind(problem)):
        missing = max(_ENOUGH - len(own), 0) if kind == 0 else 0
        if len(own) < 8 and not missing:
            continue
        scale2 = sigma2[kind] * problem.spread[own]
        if step > 2 and step % 3 == 0 and not missing:
            densities = [_t_log_density(residual[own], scale2, degrees).sum() for degrees in _DEGREES]
            freedom[kind] = _DEGREES[np.argmax(densities)]
        weight = robust_weight(residual[own], scale2, freedom[kind])
        squares = float((weight * (residual[own] ** 2 + posterior[kind]) / problem.spread[own]).sum())
        # A few sales cannot show their noise, so the usual noise variance stands for the missing ones.
        sigma2[kind] = max((squares + missing * _USUAL_NOISE2) / (len(own) + missing), 1e-6)
    return replace(est, tau2=tau2, sigma2=sigma2, degrees_of_freedom=freedom)


def _prior_variances(problem: Problem, est: Solution, first: bool) -> Floats:
    layout = problem.layout
    usual, more, least = stated_variances(problem, est)
    count = np.bincount(layout.group, minlength=len(layout.groups)) + more
    away = est.theta - prior_means(problem)
    squares = np.bincount(layout.group, away**2, len(layout.groups)) + more * usual
    em = (squares + _spread_of(layout, est)) / count
    mackay = squares / (_determined(layout, est) + more)
    mixed = (
        em if first else np.exp(0.9 * np.log(np.maximum(mackay, 1e-8)) + 0.1 * np.log(np.maximum(em, 1e-8)))
    )
    ceiling = np.where(layout.scales, _SCALE_CEILING, _TAU2_CEILING)
    learned = np.maximum(np.clip(mixed, _TAU2_FLOOR, ceiling), least)
    return np.where(layout.flat | layout_dropped(est), est.tau2, learned)


def _spread_of(layout: Layout, est: Solution) -> Floats:
    """Return, by group, the sum of the posterior variances of its coefficients."""
    variance = np.zeros(len(est.theta))
    variance[est.active] = np.diag(est.covariance)
    return np.asarray(np.bincount(layout.group, variance, len(layout.groups)), np.float64)


def _determined(layout: Layout, est: Solution) -> Floats:
    """Return, by group, the effective number of coefficients that the data determine (MacKay 1992)."""
    count = np.bincount(layout.group, minlength=len(layout.groups))
    return np.maximum(count - _spread_of(layout, est) / est.tau2, 1e-3)


def learned_spreads(problem: Problem, est: Solution) -> list[tuple[float | None, float]]:
    """Return, by group, the standard deviation of effects in log: by evidence alone, and in this estimate.

    The first is None if the evidence determines less than one coefficient.
    """
    layout = problem.layout
    away = est.theta - prior_means(problem)
    squares, determined = np.bincount(layout.group, away**2, len(layout.groups)), _determined(layout, est)
    by_evidence = [math.sqrt(s / d) if d >= 1 else None for s, d in zip(squares, determined, strict=True)]
    return list(zip(by_evidence, np.sqrt(est.tau2).tolist(), strict=True))


def learned_variances(problem: Problem, est: Solution) -> Floats:
    """Return, by group, the share of the prior variance that comes from the data, 0 for a group not in use.

    With d coefficients determined by the data, it is d / (d + 1) if a usual variance is stated, else 1. It is
    0 for a variance that is as small as statements allow.
    """
    _, more, least = stated_variances(problem, est)
    used = ~layout_dropped(est) & ~problem.layout.flat & (est.tau2 > _ABOVE * least)
    determined = _determined(problem.layout, est)
    return np.asarray(used * determined / (determined + more))


def _t_log_density(residual: Floats, scale2: Floats, freedom: float | Floats) -> Floats:
    constant = gammaln((freedom + 1) / 2) - gammaln(freedom / 2) - 0.5 * np.log(np.pi * freedom)
    outlying = np.log1p(residual**2 / (freedom * scale2))
    return np.asarray(constant - 0.5 * np.log(scale2) - (freedom + 1) / 2 * outlying)


def _log_evidence(problem: Problem, est: Solution, log_det: float) -> float:
    """Return the log marginal likelihood by Laplace's approximation, to compare caps on losses."""
    layout = problem.layout
    residual = problem.y - predict(layout, problem.x, est.theta, est.cap)
    scale2 = est.sigma2[problem.kind] * problem.spread
    likelihood = float(_t_log_density(residual, scale2, est.degrees_of_freedom[problem.kind]).sum())
    precision = prior_precision(layout, est.tau2)[est.active]
    away = (est.theta - prior_means(problem))[est.active]
    prior = 0.5 * float(np.log(precision).sum() - (precision * away**2).sum())
    if problem.contrasts is not None:
        _, missed, certain = stated(problem, est)
        likelihood -= 0.5 * float((certain * missed**2).sum())
    return likelihood + prior - 0.5 * log_det
