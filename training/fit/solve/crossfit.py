"""Fit the regression (backbone) without each fold of the rows, with variances held or learned anew."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp

from models.price.core.basis import Floats, Ints
from training.fit.design.problem import Problem
from training.fit.solve.empirical_bayes import fit_backbone
from training.fit.solve.fitted_values import jacobian, predict
from training.fit.solve.normal_equations import bounded, variances_of, with_stated
from training.fit.solve.solution import Solution, layout_dropped, prior_precision, weights

FOLDS = 5
# Number of steps that learn the variances anew without a fold, and the least prior variance they start from.
_ANEW, _LIFTED = 8, 1e-3


@dataclass(frozen=True)
class CrossFit:
    """The fits without each fold of n rows.

    `folds`: (n,) the fold of each row. `thetas`: (folds, p) the coefficients fitted without each fold.
    `posterior`: (n,) variance of each row's value by the fit without it. `weight`: (n,) precision of a row.
    """

    folds: Ints
    thetas: Floats
    posterior: Floats
    weight: Floats


def folds_of(specimens: Sequence[str], seed: int) -> Ints:
    """Return the (n,) fold of each row. One specimen's rows share a fold, or a resale would tell its price.

    Specimens are drawn in the order of their first rows, so that their names do not matter. Where all rows
    claim to be one specimen, each stands for itself.
    """
    names, first, position = np.unique(
        np.array(specimens, dtype=object).astype(str), return_index=True, return_inverse=True
    )
    if len(names) == 1:
        first = position = np.arange(len(position))
    order = np.empty(len(first), np.int64)
    order[np.argsort(first)] = np.random.default_rng(seed).permutation(len(first))
    return np.asarray(order[position] % FOLDS, np.int64)


def cross_fit(problem: Problem, est: Solution, folds: Ints) -> CrossFit:
    """For each fold, solve without its rows: linearised around the fit on all rows, with its variances."""
    layout, active = problem.layout, est.active
    jac = jacobian(layout, problem.x, est.theta, est.cap)[:, active].tocsr()
    residual = problem.y - predict(layout, problem.x, est.theta, est.cap)
    w = weights(problem, residual, est)
    target = residual + jac @ est.theta[active]
    weighted = (sp.diags(w) @ jac).tocsr()
    whole, moment = (jac.T @ weighted).toarray(), weighted.T @ target
    # The rules of common practice take part in the solve of every fold.
    whole, moment = with_stated(problem, est, whole, moment, active)
    precision = prior_precision(layout, est.tau2)[active]
    nonnegative = layout.nonnegative[active]
    thetas, posterior = np.zeros((int(folds.max()) + 1, len(est.theta))), np.zeros(len(w))
    for fold in range(len(thetas)):
        out = folds == fold
        rest = whole - (jac[out].T @ weighted[out]).toarray()
        rest[np.diag_indices(len(active))] += precision
        theta, factor, free = bounded(rest, moment - weighted[out].T @ target[out], nonnegative)
        thetas[fold, active] = theta
        rows = jac[out][:, np.flatnonzero(free)].toarray()
        half = sl.solve_triangular(factor, rows.T, lower=True, check_finite=False)
        posterior[out] = (half**2).sum(axis=0)
    return CrossFit(folds, thetas, posterior, w)


def relearned(problem: Problem, est: Solution, folds: Ints) -> CrossFit:
    """For each fold, fit without its rows: starting from the fit on all rows, with variances learned anew."""
    thetas, posterior = np.zeros((int(folds.max()) + 1, len(est.theta))), np.zeros(len(folds))
    # Groups that were dropped on all rows stay out. The others start high enough to be learned anew.
    lifted = replace(est, tau2=np.where(layout_dropped(est), est.tau2, np.maximum(est.tau2, _LIFTED)))
    for fold in range(len(thetas)):
        rest, out = problem.rows(folds != fold), folds == fold
        # One more step holds the learned variances, as in the fit on all rows.
        own = fit_backbone(rest, fit_backbone(rest, lifted, most=_ANEW), most=1, learn=False)
        thetas[fold] = own.theta
        rows = jacobian(problem.layout, problem.x[out], own.theta, own.cap)[:, own.active]
        posterior[out] = variances_of(rows, own.covariance)
    residual = problem.y - predict(problem.layout, problem.x, est.theta, est.cap)
    return CrossFit(folds, thetas, posterior, weights(problem, residual, est))
