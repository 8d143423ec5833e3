"""Compare the rules of common practice (statements) with the evidence, and weight each by their agreement."""

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp

from models.price.core.basis import Floats
from training.fit.design.problem import Problem
from training.fit.solve.fitted_values import jacobian, predict
from training.fit.solve.normal_equations import squares_of, with_stated
from training.fit.solve.solution import Solution, layout_dropped, prior_precision, stated, weights

_DEGREES = 4.0  # The ν of the trust ν / (ν + z²): a smaller ν discounts a contradicted statement sooner.
_NOTHING = 0.02  # Evidence that raises the prior precision by less than this share counts as none.


class Learnt(NamedTuple):
    """Estimates of the log price ratios that m statements are about, with standard deviations, (m,) each.

    `evidence`, `evidence_sd`: by the evidence alone, NaN and infinite where there is none. `posterior`,
    `posterior_sd`: by evidence and practice together. `share`: the share of practice in the precision of the
    latter, from 0 to 1.
    """

    evidence: Floats
    evidence_sd: Floats
    posterior: Floats
    posterior_sd: Floats
    share: Floats

    def off(self, stated: Floats, width: Floats) -> Floats:
        """Return the (m,) distance from evidence to `stated` ratios, in standard errors with `width`."""
        known = np.isfinite(self.evidence_sd)
        away = np.where(known, self.evidence, stated) - stated
        return np.asarray(np.abs(away) / np.hypot(np.where(known, self.evidence_sd, 1.0), width))


def trusted(problem: Problem, est: Solution) -> Problem:
    """Set the trust in each statement by how well the evidence agrees with it.

    The trust is ν / (ν + z²) for z standard errors between the two: Student's weight of an outlier (Lange,
    Little & Taylor 1989), scaled to 1 at most, so that no statement counts for more than it says.
    """
    said = problem.contrasts
    if said is None:
        return problem
    # Compared with the evidence alone: in the whole fit a strong rule makes everything else agree with it.
    z = learnt_of(problem, est).off(said.y, said.width)
    return replace(problem, contrasts=replace(said, trust=_DEGREES / (_DEGREES + z**2)))


def learnt_of(problem: Problem, est: Solution) -> Learnt:
    """Estimate the price ratio of each statement, by the evidence alone and together with common practice.

    For the evidence alone, the statement, all others about the same fields, and the prior of the ratio are
    taken out of the fit; all else stays as it was fitted. The precision of the evidence is what it adds to
    the precision of that prior. Signs are not enforced, so that evidence against a rule shows.
    """
    said = problem.contrasts
    assert said is not None
    slope, precision, mean, covariance, before = _around(problem, est)
    one, two = (predict(problem.layout, side, est.theta, est.cap) for side in (said.first, said.second))
    # Losses saturate, so the log ratio at the estimate differs from the sum of slopes by this much.
    bend, prior_mean = slope @ est.theta - (one - two), slope @ said.mean
    evidence, sd, share = np.full(len(mean), np.nan), np.full(len(mean), np.inf), np.ones(len(mean))
    for at in np.flatnonzero((before > 0) & (said.sales > 0)):
        own = np.flatnonzero(said.overlap[at] & (precision > 0))
        gain = covariance[at, own] @ np.linalg.inv(np.diag(1 / precision[own]) - covariance[np.ix_(own, own)])
        variance = covariance[at, at] + gain @ covariance[own, at]
        without = mean[at] + gain @ (mean[own] - said.y[own] - bend[own])
        added = 1 / variance - 1 / before[at]
        if added * before[at] > _NOTHING:
            evidence[at] = (without / variance - prior_mean[at] / before[at]) / added - bend[at]
            sd[at] = 1 / math.sqrt(added)
        share[at] = min(max(1 - max(added, 0.0) * covariance[at, at], 0.0), 1.0)
    return Learnt(evidence, sd, one - two, np.sqrt(np.diag(covariance)), share)


def _around(problem: Problem, est: Solution) -> tuple[sp.csr_matrix, Floats, Floats, Floats, Floats]:
    """Return the statements' slopes and precisions, and mean, covariance and prior variance of slopes · θ."""
    layout = problem.layout
    kept = np.flatnonzero(~layout_dropped(est)[layout.group] | layout.flat[layout.group])
    slope, _, precision = stated(problem, est)
    rows = slope[:, kept].toarray()
    residual = problem.y - predict(layout, problem.x, est.theta, est.cap)
    w = weights(problem, residual, est)
    jac = jacobian(layout, problem.x, est.theta, est.cap)[:, kept].tocsr()
    prior = prior_precision(layout, est.tau2)[kept]
    squares = squares_of(jac, w)
    squares[np.diag_indices(len(kept))] += prior
    moment = jac.T @ (w * (residual + jac @ est.theta[kept]))
    squares, moment = with_stated(problem, est, squares, moment, kept)
    factor = sl.cho_factor(squares, lower=True)
    half = sl.solve_triangular(factor[0], rows.T, lower=True)
    return slope, precision, rows @ sl.cho_solve(factor, moment), half.T @ half, (rows**2 / prior).sum(axis=1)
