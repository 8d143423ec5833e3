"""Empirical-Bayes fit of the backbone: pooled coefficients, learned variances, heavy-tailed noise.

Gauss–Newton on the saturating losses; Student-t noise per kind of evidence by iterated weights (Lange, Little
& Taylor 1989); prior variances by the evidence updates of MacKay (1992), damped towards EM.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp
from scipy.special import gammaln

from models.price.basis import Floats, Ints
from training.fit.fitted_values import jacobian, predict
from training.fit.problem import Bools, Layout, Problem

_TAILS = np.array([2.2, 2.6, 3.2, 4.0, 5.0, 6.5, 9.0, 14.0, 30.0, 100.0])
_TAU2_FLOOR, _TAU2_CEILING, _SCALE_CEILING = 1e-6, 4.0, 0.09
_SETTLED = 1.5e-3  # root mean square change of the fitted log prices at which iteration stops
_DROPPED = 2.5e-5  # a group whose prior variance fell below this says nothing: its columns leave the solve
_ENOUGH, _USUAL_NOISE2 = 20, 0.04  # sales; σ² where they are fewer: like instruments differ by a fifth
_ABOVE = 1.01  # a variance within this factor of the smallest that is stated is at it: the noise still moves
_FLAT = 1e-6  # prior precision of a flat prior
_FULL = 0.1  # a design with more than this share of entries that are not 0 is worked out as a dense array


@dataclass(frozen=True)
class Estimate:
    """Everything that is learned.

    `covariance` is over the columns in `active`; `tails` are degrees of freedom.
    """

    theta: Floats
    tau2: Floats
    sigma2: Floats
    tails: Floats
    cap: float
    active: Ints
    covariance: Floats
    log_evidence: float = 0.0


def start(problem: Problem, cap: float) -> Estimate:
    """A first guess: everything shrunk alike, losses slightly positive."""
    layout, kinds = problem.layout, int(problem.kind.max()) + 1
    theta = np.where(layout.nonnegative, 0.02, 0.0)
    if problem.contrasts is not None:
        theta = np.where(problem.contrasts.mean, problem.contrasts.mean, theta)
    theta[layout.intercept] = float(np.median(problem.y))
    groups, p = len(layout.groups), len(theta)
    return Estimate(
        theta,
        np.full(groups, 0.05),
        np.full(kinds, 0.1),
        np.full(kinds, 5.0),
        cap,
        np.arange(p),
        np.zeros((0, 0)),
    )


def weights(problem: Problem, residual: Floats, est: Estimate) -> Floats:
    """(n,) precision of each row: lower for a noisy kind, a spread-out row and a residual far out."""
    tails, scale2 = est.tails[problem.kind], est.sigma2[problem.kind] * problem.spread
    return np.asarray((tails + 1) / (tails + residual**2 / scale2) / scale2)


def stated(problem: Problem, est: Estimate) -> tuple[sp.csr_matrix, Floats, Floats]:
    """The m statements, linearised at an estimate: (m, p) derivatives, (m,) residuals and (m,) precisions.

    The prior means say what is stated, too: the precisions are those that the prior leaves out.
    """
    said, layout = problem.contrasts, problem.layout
    if said is None:
        return sp.csr_matrix((0, len(est.theta))), np.zeros(0), np.zeros(0)
    one, two = (predict(layout, side, est.theta, est.cap) for side in (said.first, said.second))
    slopes = [jacobian(layout, side, est.theta, est.cap) for side in (said.first, said.second)]
    slope = (slopes[0] - slopes[1]).tocsr()
    before = slope.power(2) @ (1 / prior_precision(layout, est.tau2))
    by_prior = np.divide(1.0, before, out=np.zeros(len(before)), where=before > 0)
    precision = np.maximum(said.trust / said.variance(sale_variance(est)) - by_prior, 0.0)
    return slope, said.y - (one - two), precision


def sale_variance(est: Estimate) -> float:
    """The variance of a sale's noise; Student's distribution has one where its tails are light enough."""
    tails = float(est.tails[0])
    return float(est.sigma2[0]) * tails / max(tails - 2, 1.0)


def with_stated(
    problem: Problem, est: Estimate, a: Floats, b: Floats, columns: Ints
) -> tuple[Floats, Floats]:
    """The normal equations of the `columns`, (k, k) and (k,), with what is stated added to them."""
    if problem.contrasts is None:
        return a, b
    jac, residual, precision = stated(problem, est)
    target = precision * (residual + jac @ est.theta)
    pulled = prior_precision(problem.layout, est.tau2)[columns] * problem.contrasts.mean[columns]
    jac = jac[:, columns]
    return a + squares_of(jac, precision), b + jac.T @ target + pulled


def bounded(a: Floats, b: Floats, nonnegative: Bools) -> tuple[Floats, Floats, Bools]:
    """Minimise ½θᵀAθ − bᵀθ with θ ≥ 0 where asked: active set. Also its Cholesky factor and what is free."""
    clamped = np.zeros(len(b), bool)
    for _ in range(30):
        free = ~clamped
        factor = sl.cho_factor(a[np.ix_(free, free)], lower=True, check_finite=False)
        theta = np.zeros(len(b))
        theta[free] = sl.cho_solve(factor, b[free], check_finite=False)
        wrong = nonnegative & (theta < -1e-12)
        released = np.zeros(len(b), bool)
        released[clamped] = a[clamped] @ theta - b[clamped] < -1e-9
        if not wrong.any() and not released.any():
            break
        clamped = (clamped | wrong) & ~released
    return np.where(nonnegative, np.maximum(theta, 0.0), theta), factor[0], free


def prior_precision(layout: Layout, tau2: Floats) -> Floats:
    """(p,) prior precision of each coefficient."""
    return np.where(layout.flat[layout.group], _FLAT, 1 / tau2[layout.group])


def fit(
    problem: Problem,
    first: Estimate,
    *,
    most: int = 30,
    learn: bool = True,
    step_done: Callable[[], object] = lambda: None,
) -> Estimate:
    """Iterate to convergence (or `most` steps); `learn` False keeps variances and tails as they are."""
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


def squares_of(jac: sp.csr_matrix, weight: Floats) -> Floats:
    """(p, p) Σ weight · xᵀx over the n rows x of a design."""
    if _is_full(jac):
        rows = jac.toarray() * np.sqrt(weight)[:, None]
        return np.asarray(rows.T @ rows)
    return np.asarray((jac.T @ (sp.diags(weight) @ jac)).toarray())


def variances_of(jac: sp.csr_matrix, covariance: Floats) -> Floats:
    """(n,) variance of each row of a design, given that of its coefficients (p, p)."""
    if _is_full(jac):
        rows = jac.toarray()
        return np.asarray(np.einsum("np,np->n", rows @ covariance, rows))
    return np.asarray(jac.multiply(jac @ covariance).sum(axis=1)).ravel()


def _is_full(jac: sp.csr_matrix) -> bool:
    """True if so many entries are not 0 that dense arithmetic is faster than sparse."""
    return bool(jac.nnz > _FULL * jac.shape[0] * jac.shape[1])


def layout_dropped(est: Estimate) -> Bools:
    """(groups,) True where a group's prior variance has fallen to nothing."""
    return est.tau2 < _DROPPED


def _step(problem: Problem, est: Estimate, step: int, learn: bool) -> Estimate:
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
        # Σ w · xᵀCx is the trace of (Σ w · xxᵀ) C: the rows need not be gone through again.
        sums = [float((one[np.ix_(free, free)] * covariance).sum()) for one in squares]
        totals = np.bincount(problem.kind, w)
        new = _learn(problem, new, np.divide(sums, totals, out=np.zeros(len(sums)), where=totals > 0), step)
    return replace(new, log_evidence=_log_evidence(problem, new, log_det))


def _rows_by_kind(problem: Problem) -> list[Ints]:
    return [np.flatnonzero(problem.kind == kind) for kind in range(int(problem.kind.max()) + 1)]


def _learn(problem: Problem, est: Estimate, posterior: Floats, step: int) -> Estimate:
    """`posterior`: for each kind the weighted mean variance of its fitted values."""
    tau2 = _prior_variances(problem, est, first=step < 2)
    residual = problem.y - predict(problem.layout, problem.x, est.theta, est.cap)
    sigma2, tails = est.sigma2.copy(), est.tails.copy()
    for kind, own in enumerate(_rows_by_kind(problem)):
        missing = max(_ENOUGH - len(own), 0) if kind == 0 else 0
        if len(own) < 8 and not missing:
            continue
        scale2 = sigma2[kind] * problem.spread[own]
        if step > 2 and step % 3 == 0 and not missing:
            tails[kind] = _TAILS[np.argmax([_t_log_density(residual[own], scale2, t).sum() for t in _TAILS])]
        pull = (tails[kind] + 1) / (tails[kind] + residual[own] ** 2 / scale2)
        squares = float((pull * (residual[own] ** 2 + posterior[kind]) / problem.spread[own]).sum())
        # So few sales do not tell their noise: the usual one stands for those that are missing.
        sigma2[kind] = max((squares + missing * _USUAL_NOISE2) / (len(own) + missing), 1e-6)
    return replace(est, tau2=tau2, sigma2=sigma2, tails=tails)


def _prior_variances(problem: Problem, est: Estimate, first: bool) -> Floats:
    layout = problem.layout
    usual, more, least = _stated_variances(problem, est)
    count = np.bincount(layout.group, minlength=len(layout.groups)) + more
    away = est.theta - _prior_means(problem)
    squares = np.bincount(layout.group, away**2, len(layout.groups)) + more * usual
    em = (squares + _spread_of(layout, est)) / count
    mackay = squares / (_determined(layout, est) + more)
    mixed = (
        em if first else np.exp(0.9 * np.log(np.maximum(mackay, 1e-8)) + 0.1 * np.log(np.maximum(em, 1e-8)))
    )
    ceiling = np.where(layout.scales, _SCALE_CEILING, _TAU2_CEILING)
    learned = np.maximum(np.clip(mixed, _TAU2_FLOOR, ceiling), least)
    return np.where(layout.flat | layout_dropped(est), est.tau2, learned)


def _prior_means(problem: Problem) -> Floats:
    """(p,) what each coefficient is pulled towards."""
    return problem.contrasts.mean if problem.contrasts else np.zeros(len(problem.layout.role))


def _stated_variances(problem: Problem, est: Estimate) -> tuple[Floats, Floats, Floats]:
    """(groups,) each: stated prior variances, the coefficients that each counts as, the smallest allowed.

    One more coefficient of the stated size keeps a variance from falling to nothing.
    """
    said = problem.contrasts
    if said is None:
        nothing = np.zeros(len(problem.layout.groups))
        return nothing, nothing, nothing
    return said.usual, (said.usual > 0).astype(np.float64), said.least_variances(sale_variance(est))


def _spread_of(layout: Layout, est: Estimate) -> Floats:
    """(groups,) the sum of the variances that the coefficients are left with."""
    variance = np.zeros(len(est.theta))
    variance[est.active] = np.diag(est.covariance)
    return np.asarray(np.bincount(layout.group, variance, len(layout.groups)), np.float64)


def _determined(layout: Layout, est: Estimate) -> Floats:
    """(groups,) how many coefficients the data determine (MacKay 1992)."""
    count = np.bincount(layout.group, minlength=len(layout.groups))
    return np.maximum(count - _spread_of(layout, est) / est.tau2, 1e-3)


def learned_spreads(problem: Problem, est: Estimate) -> list[tuple[float | None, float]]:
    """For each group the standard deviation, in log, that the evidence alone finds, and that in use.

    None where the evidence determines less than one coefficient.
    """
    layout = problem.layout
    away = est.theta - _prior_means(problem)
    squares, determined = np.bincount(layout.group, away**2, len(layout.groups)), _determined(layout, est)
    by_evidence = [math.sqrt(s / d) if d >= 1 else None for s, d in zip(squares, determined, strict=True)]
    return list(zip(by_evidence, np.sqrt(est.tau2).tolist(), strict=True))


def learned_variances(problem: Problem, est: Estimate) -> Floats:
    """(groups,) the share of each prior variance that the data made, from 0 to 1; 0 for one that is not used.

    d coefficients that the data determine make d / (d + 1) of a variance of which a usual size is stated, and
    nothing of one that is as small as statements allow: left-out rows need not pay for the rest.
    """
    _, more, least = _stated_variances(problem, est)
    used = ~layout_dropped(est) & ~problem.layout.flat & (est.tau2 > _ABOVE * least)
    determined = _determined(problem.layout, est)
    return np.asarray(used * determined / (determined + more))


def _t_log_density(residual: Floats, scale2: Floats, tails: float | Floats) -> Floats:
    constant = gammaln((tails + 1) / 2) - gammaln(tails / 2) - 0.5 * np.log(np.pi * tails)
    out: Floats = constant - 0.5 * np.log(scale2) - (tails + 1) / 2 * np.log1p(residual**2 / (tails * scale2))
    return out


def _log_evidence(problem: Problem, est: Estimate, log_det: float) -> float:
    """Laplace approximation of the log marginal likelihood, for comparing caps on the same data."""
    layout = problem.layout
    residual = problem.y - predict(layout, problem.x, est.theta, est.cap)
    scale2 = est.sigma2[problem.kind] * problem.spread
    likelihood = float(_t_log_density(residual, scale2, est.tails[problem.kind]).sum())
    precision = prior_precision(layout, est.tau2)[est.active]
    away = (est.theta - _prior_means(problem))[est.active]
    prior = 0.5 * float(np.log(precision).sum() - (precision * away**2).sum())
    if problem.contrasts is not None:
        _, missed, certain = stated(problem, est)
        likelihood -= 0.5 * float((certain * missed**2).sum())
    return likelihood + prior - 0.5 * log_det
