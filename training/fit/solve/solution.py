"""An estimate of the regression (backbone), and what it implies: row weights, precisions, statements."""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from models.price.core.basis import Floats, Ints
from training.fit.design.problem import Bools, Layout, Problem
from training.fit.solve.fitted_values import jacobian, predict

_DROPPED = 2.5e-5  # A group with a smaller prior variance is dropped: its columns leave the solve.
_FLAT = 1e-6  # Prior precision of a flat prior.


@dataclass(frozen=True)
class Solution:
    """An estimate of the coefficients and variances.

    `theta`: (p,) coefficients. `tau2`: (groups,) prior variances. `sigma2`, `degrees_of_freedom`: (kinds,) of
    the noise. `cap`: limit of all losses together, in log. `active`: the columns that are free in the solve;
    `covariance`: the posterior covariance of these.
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
    """Return a start for the iteration: equal variances, small positive losses, stated prior means."""
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
    """Return the (n,) Student weights of residuals, near 0 for an outlier (Lange, Little & Taylor 1989)."""
    return np.asarray((freedom + 1) / (freedom + residual**2 / scale2))


def weights(problem: Problem, residual: Floats, est: Solution) -> Floats:
    """Return the (n,) precision of each row, lower for noisy kinds, unknown fields and outliers."""
    freedom, scale2 = est.degrees_of_freedom[problem.kind], est.sigma2[problem.kind] * problem.spread
    return np.asarray(robust_weight(residual, scale2, freedom) / scale2)


def stated(problem: Problem, est: Solution) -> tuple[sp.csr_matrix, Floats, Floats]:
    """Linearise the m statements at an estimate: (m, p) derivatives, (m,) residuals and (m,) precisions.

    The prior already holds a part of each statement, so its precision here is the part that the prior lacks.
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
    """Return the variance of a sale's Student noise, σ² · ν / (ν − 2), with ν − 2 counted as at least 1."""
    freedom = float(est.degrees_of_freedom[0])
    return float(est.sigma2[0]) * freedom / max(freedom - 2, 1.0)


def prior_precision(layout: Layout, tau2: Floats) -> Floats:
    """Return the (p,) prior precision of each coefficient."""
    return np.where(layout.flat[layout.group], _FLAT, 1 / tau2[layout.group])


def layout_dropped(est: Solution) -> Bools:
    """Return (groups,) True for groups that are dropped, as their prior variance has fallen to nothing."""
    return est.tau2 < _DROPPED


def prior_means(problem: Problem) -> Floats:
    """Return the (p,) prior mean of each coefficient: by the rules of common practice, else 0."""
    return problem.contrasts.mean if problem.contrasts else np.zeros(len(problem.layout.role))


def stated_variances(problem: Problem, est: Solution) -> tuple[Floats, Floats, Floats]:
    """Return, by group, the stated prior variance, how many coefficients it counts as, and the least allowed.

    One more coefficient of the stated size keeps a variance from falling to nothing.
    """
    said = problem.contrasts
    if said is None:
        nothing = np.zeros(len(problem.layout.groups))
        return nothing, nothing, nothing
    return said.usual, (said.usual > 0).astype(np.float64), said.least_variances(sale_variance(est))
