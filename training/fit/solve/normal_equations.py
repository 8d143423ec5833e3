"""The normal equations of a weighted regression: their sums and their bounded solution."""

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp

from models.price.core.basis import Floats, Ints
from training.fit.design.problem import Bools, Problem
from training.fit.solve.solution import Solution, prior_precision, stated

_FULL = 0.1  # Share of non-zero entries above which a design is handled as a dense array.


def squares_of(jac: sp.csr_matrix, weight: Floats) -> Floats:
    """Return the (p, p) sum of weight · xᵀx over the n rows x of a design."""
    if _is_full(jac):
        rows = jac.toarray() * np.sqrt(weight)[:, None]
        return np.asarray(rows.T @ rows)
    return np.asarray((jac.T @ (sp.diags(weight) @ jac)).toarray())


def variances_of(jac: sp.csr_matrix, covariance: Floats) -> Floats:
    """Return the (n,) variance of x · θ for the rows x of a design, by the (p, p) covariance of θ."""
    if _is_full(jac):
        rows = jac.toarray()
        return np.asarray(np.einsum("np,np->n", rows @ covariance, rows))
    return np.asarray(jac.multiply(jac @ covariance).sum(axis=1)).ravel()


def _is_full(jac: sp.csr_matrix) -> bool:
    """Say whether the share of non-zero entries is so large that dense arithmetic is faster than sparse."""
    return bool(jac.nnz > _FULL * jac.shape[0] * jac.shape[1])


def with_stated(
    problem: Problem, est: Solution, a: Floats, b: Floats, columns: Ints
) -> tuple[Floats, Floats]:
    """Add the rules of common practice to the normal equations a (k, k) and b (k,) of these `columns`."""
    if problem.contrasts is None:
        return a, b
    jac, residual, precision = stated(problem, est)
    target = precision * (residual + jac @ est.theta)
    pulled = prior_precision(problem.layout, est.tau2)[columns] * problem.contrasts.mean[columns]
    jac = jac[:, columns]
    return a + squares_of(jac, precision), b + jac.T @ target + pulled


def bounded(a: Floats, b: Floats, nonnegative: Bools) -> tuple[Floats, Floats, Bools]:
    """Minimise ½θᵀAθ − bᵀθ with θ ≥ 0 where `nonnegative`, by the active-set method.

    Return (k,) θ, the Cholesky factor of A over the free coefficients, and (k,) True for the free ones.
    """
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
