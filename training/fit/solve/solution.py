"""An estimate of the backbone, and what follows from it: weights of rows, prior precisions, statements."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from models.price.core.basis import Floats, Ints
from training.fit.design.problem import Bools, Layout, Problem
from training.fit.solve.fitted_values import jacobian, predict

_DROPPED = 2.5e-5  # a group whose prior variance fell below this says nothing: its columns leave the solve
_FLAT = 1e-6  # prior precision of a flat prior


@dataclass(frozen=True)
class Solution:
    """Everything that is learned.

    `covariance`: over the columns in `active`. `degrees_of_freedom`: of each kind of noise.
    """

    theta: Floats
    tau2: Floats
    sigma2: Floats
    degrees_of_freedom: Floats
    cap: float
    active: Ints
    covariance: Floats
    log_evidence: float = 0.0


def first_solution(problem: Problem, cap: float) -> Solution:
    """A start for the iteration: everything shrunk alike, losses slightly positive."""
    layout, kinds = problem.layout, int(problem.kind.max()) + 1
    theta = np.where(layout.nonnegative, 0.02, 0.0)
    if problem.contrasts is not None:
        theta = np.where(problem.contrasts.mean, problem.contrasts.mean, theta)
    theta[layout.intercept] = float(np.median(problem.y))
    groups, p = len(layout.groups), len(theta)
    return Solution(
        theta,
        np.full(groups, 0.05),
        np.full(kinds, 0.1),
        np.full(kinds, 5.0),
        cap,
        np.arange(p),
        np.zeros((0, 0)),
    )


def robust_weight(residual: Floats, scale2: Floats, freedom: float | Floats) -> Floats:
    """(n,) Student's weight of each residual, near 0 far out (Lange, Little & Taylor 1989)."""
    return np.asarray((freedom + 1) / (freedom + residual**2 / scale2))


def weights(problem: Problem, residual: Floats, est: Solution) -> Floats:
    """(n,) precision of each row: lower for a noisy kind, a spread-out row and a residual far out."""
    freedom, scale2 = est.degrees_of_freedom[problem.kind], est.sigma2[problem.kind] * problem.spread
    return np.asarray(robust_weight(residual, scale2, freedom) / scale2)


def stated(problem: Problem, est: Solution) -> tuple[sp.csr_matrix, Floats, Floats]:
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


def sale_variance(est: Solution) -> float:
    """The variance of a sale's noise; Student's distribution has one where its tails are light enough."""
    freedom = float(est.degrees_of_freedom[0])
    return float(est.sigma2[0]) * freedom / max(freedom - 2, 1.0)


def prior_precision(layout: Layout, tau2: Floats) -> Floats:
    """(p,) prior precision of each coefficient."""
    return np.where(layout.flat[layout.group], _FLAT, 1 / tau2[layout.group])


def layout_dropped(est: Solution) -> Bools:
    """(groups,) True where a group's prior variance has fallen to nothing."""
    return est.tau2 < _DROPPED


def prior_means(problem: Problem) -> Floats:
    """(p,) what each coefficient is pulled towards."""
    return problem.contrasts.mean if problem.contrasts else np.zeros(len(problem.layout.role))


def stated_variances(problem: Problem, est: Solution) -> tuple[Floats, Floats, Floats]:
    """(groups,) each: stated prior variances, the coefficients that each counts as, the smallest allowed.

    One more coefficient of the stated size keeps a variance from falling to nothing.
    """
    said = problem.contrasts
    if said is None:
        nothing = np.zeros(len(problem.layout.groups))
        return nothing, nothing, nothing
    return said.usual, (said.usual > 0).astype(np.float64), said.least_variances(sale_variance(est))
