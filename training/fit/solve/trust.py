"""Compare the statements of common practice with the evidence, and trust each as far as it is borne out."""

from __future__ import annotations

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

_DEGREES = 4.0  # degrees of freedom by which a statement may turn out to be wrong
_NOTHING = 0.02  # evidence that adds less than this share to the precision before any data says nothing


class Learnt(NamedTuple):
    """The results for m statements, (m,) each: means and standard deviations in log.

    `evidence`, `evidence_sd`: by the evidence alone, NaN and infinite where it says nothing. `posterior`,
    `posterior_sd`: by evidence and practice together. `share`: the share of practice in what is known, from 0
    to 1.
    """

    evidence: Floats
    evidence_sd: Floats
    posterior: Floats
    posterior_sd: Floats
    share: Floats

    def off(self, stated: Floats, width: Floats) -> Floats:
        """(m,) how many standard errors the evidence lies from what is stated, give or take `width`."""
        known = np.isfinite(self.evidence_sd)
        away = np.where(known, self.evidence, stated) - stated
        return np.asarray(np.abs(away) / np.hypot(np.where(known, self.evidence_sd, 1.0), width))


def trusted(problem: Problem, est: Solution) -> Problem:
    """The problem with each statement trusted as far as the evidence bears it out.

    By ν / (ν + z²), z standard errors between the two: Student's weight of an outlier (Lange, Little & Taylor
    1989), scaled so that no statement counts for more than it says.
    """
    said = problem.contrasts
    if said is None:
        return problem
    # Compared with the evidence alone: in the whole fit a strong rule makes everything else agree with it.
    z = learnt_of(problem, est).off(said.y, said.width)
    return replace(problem, contrasts=replace(said, trust=_DEGREES / (_DEGREES + z**2)))


def learnt_of(problem: Problem, est: Solution) -> Learnt:
    """Estimate what each statement is about, by the evidence alone and by both, at the learned variances.

    For the evidence alone, the statement and all others about the same fields are taken out of the fit, and
    so is the prior of what the statement is about; all else stays as it was fitted. The precision of the
    evidence is what it adds to the precision of that prior. Signs are not enforced, so that evidence against
    a rule shows.
    """
    said = problem.contrasts
    assert said is not None
    slope, precision, mean, covariance, before = _around(problem, est)
    one, two = (predict(problem.layout, side, est.theta, est.cap) for side in (said.first, said.second))
    # Losses saturate: around the estimate a difference is a sum of slopes but for this.
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
    """The m statements around an estimate, without signs.

    (m, p) slopes, (m,) precisions and means of their linear part, (m, m) covariance, (m,) variance before any
    data.
    """
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
