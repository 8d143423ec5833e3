"""Kriging: the backbone, and beside it what records near each other have in common.

A Gaussian process whose covariance is the backbone's own, as its learned variances give it, plus one that
falls with the distance in all columns together (Rasmussen & Williams 2006, ch. 2 and 5). It says what a sum
of columns cannot: the price of a certain combination.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp

from models.price.basis import Floats, Ints, Table
from training.fit import solve
from training.fit.core import Fitted
from training.fit.covariance import FEW, Learned, Rows, first_of, inverse, learn
from training.fit.nearness import Kernel, coordinates_of
from training.fit.problem import Layout, matrix
from training.fit.solve import Estimate

_REWEIGHTINGS = 3
_FLAT_VARIANCE = 100.0
_LEAST_PULL = 0.05
_STEPS, _AGAIN = 6, 1e-4  # of a backbone on fewer rows; the prior variance that what left it starts from


@dataclass(frozen=True)
class Kriging:
    """What was learned from n rows.

    `theta`: (columns,) the backbone's coefficients here, about `mean`; `prior`: (columns,) their variances.
    `weights`: (n,) of the covariances with `places` (n, p). `precision`: (n, n) inverse covariance of prices.
    """

    layout: Layout
    kernel: Kernel
    theta: Floats
    prior: Floats
    mean: float
    design: sp.csr_matrix
    places: Floats
    weights: Floats
    precision: Floats

    def predict(self, table: Table) -> Floats:
        """(n,) median log price."""
        near = self.kernel.between(self.kernel.places(table), self.places)
        return np.asarray(self.mean + matrix(self.layout, table) @ self.theta + near @ self.weights)

    def variance(self, table: Table) -> Floats:
        """(n,) variance of that median, in log price squared."""
        x = matrix(self.layout, table).multiply(np.sqrt(self.prior)).tocsr()
        own = np.asarray(x.multiply(x).sum(axis=1)).ravel() + self.kernel.variance
        known = self.design.multiply(np.sqrt(self.prior)).tocsr()
        shared = (x @ known.T).toarray() + self.kernel.between(self.kernel.places(table), self.places)
        return np.asarray(np.maximum(own - np.einsum("ij,ij->i", shared @ self.precision, shared), 0.0))


@dataclass(frozen=True)
class Averaged:
    """The mean of what is told under covariances that were learned on different rows.

    On few rows many covariances are about as likely, and one of them alone is surer than the rows are.
    """

    each: tuple[Kriging, ...]

    def predict(self, table: Table) -> Floats:
        """(n,) median log price."""
        return np.asarray(np.mean([one.predict(table) for one in self.each], axis=0))

    def variance(self, table: Table) -> Floats:
        """(n,) variance of that median, in log price squared."""
        return np.asarray(np.mean([one.variance(table) for one in self.each], axis=0))


@dataclass(frozen=True)
class LeftOut:
    """(n,) what the rows' own folds, left out, would have been told, and the variance of that."""

    value: Floats
    variance: Floats


def krige(
    fitted: Fitted,
    table: Table,
    columns: Sequence[str],
    seed: int = 0,
    step_done: Callable[[], object] = lambda: None,
) -> tuple[Averaged, LeftOut]:
    """Fit beside this backbone on these columns of its own rows. Raises ValueError for one with losses."""
    if fitted.core.backbone.families:
        raise ValueError("a backbone with losses is no sum, and has no covariance")
    rows = _rows(fitted, table, columns)
    learned = learn(rows, first_of(rows, float(fitted.estimate.sigma2[0])), seed)
    step_done()
    noise = _robust(learned, rows, float(fitted.estimate.tails[0]))
    each = []
    for fold in range(int(fitted.folds.max()) + 1):
        kept = np.flatnonzero(fitted.folds != fold)
        other = replace(fitted, estimate=_anew(fitted, kept))
        own = _rows(other, table, columns)
        each.append(_told(_learned_on(kept, own, learned, seed), other, own, noise))
        step_done()
    averaged = Averaged(tuple(each))
    return averaged, _left_out(averaged, rows.target, noise, fitted.folds)


def _anew(fitted: Fitted, kept: Ints) -> Estimate:
    """The backbone on these rows alone; what said nothing in all of them gets another chance."""
    before = fitted.estimate
    first = replace(before, tau2=np.maximum(before.tau2, _AGAIN), active=np.arange(len(before.theta)))
    return solve.fit(fitted.problem.rows(kept), first, most=_STEPS)


def _learned_on(kept: Ints, rows: Rows, learned: Learned, seed: int) -> Learned:
    return learn(rows.at(kept), learned, seed) if len(rows.target) <= FEW else learned


def _told(learned: Learned, fitted: Fitted, rows: Rows, noise: Floats) -> Kriging:
    problem, prior = fitted.problem, learned.part * _prior(fitted)
    precision = inverse(learned.covariance(rows) + np.diag(noise))
    weights = precision @ rows.target
    theta, mean = prior * (problem.x.T @ weights), float(problem.y.mean())
    return Kriging(
        problem.layout, learned.kernel, theta, prior, mean, problem.x, rows.places, weights, precision
    )


def _prior(fitted: Fitted) -> Floats:
    # A group that says nothing has left the backbone; it must not come back with the least variance.
    layout, tau2 = fitted.problem.layout, fitted.estimate.tau2
    learned = np.where(solve.layout_dropped(fitted.estimate), 0.0, tau2)
    return np.asarray(np.where(layout.flat, _FLAT_VARIANCE, learned)[layout.group])


def _rows(fitted: Fitted, table: Table, columns: Sequence[str]) -> Rows:
    problem, coordinates = fitted.problem, coordinates_of(table, columns)
    noise = 1 / np.clip(fitted.pull, _LEAST_PULL, None)
    return Rows(
        coordinates,
        problem.x.multiply(np.sqrt(_prior(fitted))).tocsr(),
        np.stack([c.values(table) for c in coordinates], axis=1),
        problem.y - problem.y.mean(),
        noise / np.median(noise),
    )


def _robust(learned: Learned, rows: Rows, tails: float) -> Floats:
    """(n,) noise variance once rows far out are trusted less, as the backbone's tails have it."""
    covariance, noise = learned.covariance(rows), learned.noise * rows.noise
    for _ in range(_REWEIGHTINGS):
        residual = noise * (inverse(covariance + np.diag(noise)) @ rows.target)
        noise = (tails * learned.noise + residual**2) / (tails + 1)
    return np.asarray(noise)


def _left_out(averaged: Averaged, target: Floats, noise: Floats, folds: Ints) -> LeftOut:
    """Every fold left out, without another solve (the block form of Rasmussen & Williams 2006, eq. 5.12).

    `averaged`: one for each fold, which knew nothing of its prices. `target`: (n,) prices about their mean.
    """
    value, variance = np.zeros(len(noise)), np.zeros(len(noise))
    for fold in range(int(folds.max()) + 1):
        out, one = np.flatnonzero(folds == fold), averaged.each[fold]
        covariance = inverse(one.precision[np.ix_(out, out)])
        value[out] = one.mean + target[out] - covariance @ one.weights[out]
        variance[out] = np.maximum(np.diag(covariance) - noise[out], 0.0)
    return LeftOut(value, variance)
