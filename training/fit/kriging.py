"""Kriging: the backbone, and beside it what records near each other have in common.

A Gaussian process whose covariance is the backbone's own, as its learned variances give it, plus one that
falls with the distance in all columns together (Rasmussen & Williams 2006, ch. 2 and 5). It says what a sum
of columns cannot: the price of a certain combination.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp
from scipy.optimize import minimize

from models.price.basis import Floats, Ints, Table
from training.fit import solve
from training.fit.core import Fitted
from training.fit.nearness import Coordinate, Kernel, coordinates_of
from training.fit.problem import Layout, matrix

# The covariance is learned on some rows, then a little more on as many as memory holds.
_LEARN_ON, _STEPS = 900, 80
_LARGEST, _LAST_STEPS = 1e8, 6  # distances, of all coordinates together
_REWEIGHTINGS = 3
_FLAT_VARIANCE = 100.0
_FIRST_VARIANCE, _FIRST_LOG_LENGTH, _FIRST_LOG_ALPHA = 0.15**2, 1.0, 0.5
# Natural logarithms between which each is sought; a noise of half a percent is as little as prices ever have.
_AMPLITUDES, _LENGTHS, _ALPHAS, _PARTS, _NOISES = (
    (-9.0, 2.0),
    (-5.0, 8.0),
    (-3.0, 7.0),
    (-3.0, 3.0),
    (-5.3, 1.0),
)
_PRIOR_SD = 2.0  # of log lengths and log alpha about their first value
_LEAST_PULL = 0.05


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
) -> tuple[Kriging, LeftOut]:
    """Fit beside this backbone on these columns of its own rows. Raises ValueError for one with losses."""
    if fitted.core.backbone.families:
        raise ValueError("a backbone with losses is no sum, and has no covariance")
    problem, mean, prior = fitted.problem, float(fitted.problem.y.mean()), _prior(fitted)
    rows = _rows(fitted, table, columns, prior)
    learned = _learn(rows, _first(rows, float(fitted.estimate.sigma2[0])), seed)
    step_done()
    noise = _robust(learned, rows, float(fitted.estimate.tails[0]))
    precision = _inverse(learned.covariance(rows) + np.diag(noise))
    weights = precision @ rows.target
    prior = learned.part * prior
    theta = prior * (problem.x.T @ weights)
    own = Kriging(
        problem.layout, learned.kernel, theta, prior, mean, problem.x, rows.places, weights, precision
    )
    step_done()
    return own, _left_out(learned, rows, noise, mean, fitted.folds, seed)


def _prior(fitted: Fitted) -> Floats:
    # A group that says nothing has left the backbone; it must not come back with the least variance.
    layout, tau2 = fitted.problem.layout, fitted.estimate.tau2
    learned = np.where(solve.layout_dropped(fitted.estimate), 0.0, tau2)
    return np.asarray(np.where(layout.flat, _FLAT_VARIANCE, learned)[layout.group])


@dataclass(frozen=True)
class _Rows:
    """n rows. `design`: (n, columns) times the root of prior variances; `noise`: (n,) 1 for most rows."""

    coordinates: tuple[Coordinate, ...]
    design: sp.csr_matrix
    places: Floats
    target: Floats
    noise: Floats

    def at(self, keep: Ints) -> _Rows:
        return replace(
            self,
            design=self.design[keep],
            places=self.places[keep],
            target=self.target[keep],
            noise=self.noise[keep],
        )


def _rows(fitted: Fitted, table: Table, columns: Sequence[str], prior: Floats) -> _Rows:
    problem, coordinates = fitted.problem, coordinates_of(table, columns)
    noise = 1 / np.clip(fitted.pull, _LEAST_PULL, None)
    return _Rows(
        coordinates,
        problem.x.multiply(np.sqrt(prior)).tocsr(),
        np.stack([c.values(table) for c in coordinates], axis=1),
        problem.y - problem.y.mean(),
        noise / np.median(noise),
    )


def _robust(learned: _Learned, rows: _Rows, tails: float) -> Floats:
    """(n,) noise variance once rows far out are trusted less, as the backbone's tails have it."""
    covariance, noise = learned.covariance(rows), learned.noise * rows.noise
    for _ in range(_REWEIGHTINGS):
        residual = noise * (_inverse(covariance + np.diag(noise)) @ rows.target)
        noise = (tails * learned.noise + residual**2) / (tails + 1)
    return np.asarray(noise)


def _inverse(matrix: Floats) -> Floats:
    factor = sl.cho_factor(matrix, lower=True, check_finite=False)
    return np.asarray(sl.cho_solve(factor, np.eye(len(matrix)), check_finite=False))


def _left_out(learned: _Learned, rows: _Rows, noise: Floats, mean: float, folds: Ints, seed: int) -> LeftOut:
    """Every fold left out, without another solve (the block form of Rasmussen & Williams 2006, eq. 5.12).

    Few rows choose a covariance that suits themselves, so each fold then gets one that it had no part in.
    """
    few = len(rows.target) <= _LEARN_ON
    precision = _inverse(learned.covariance(rows) + np.diag(noise))
    value, variance = np.zeros(len(noise)), np.zeros(len(noise))
    for fold in range(int(folds.max()) + 1):
        out = np.flatnonzero(folds == fold)
        if few:
            other = _learn(rows.at(np.flatnonzero(folds != fold)), learned, seed)
            precision = _inverse(other.covariance(rows) + np.diag(noise))
        covariance = _inverse(precision[np.ix_(out, out)])
        value[out] = mean + rows.target[out] - covariance @ (precision @ rows.target)[out]
        variance[out] = np.maximum(np.diag(covariance) - noise[out], 0.0)
    return LeftOut(value, variance)


# ── learning the covariance ──────────────────────────────────────────────────


@dataclass(frozen=True)
class _Learned:
    """`part`: factor on the backbone's variances. `noise`: variance of an ordinary row."""

    kernel: Kernel
    part: float
    noise: float

    def covariance(self, rows: _Rows) -> Floats:
        """(n, n) of the rows' values."""
        near = self.kernel.between(rows.places, rows.places)
        return np.asarray(self.part * (rows.design @ rows.design.T).toarray() + near)

    def vector(self) -> Floats:
        """As `_Sample.loss` takes it."""
        kernel = self.kernel
        rest = [np.log(kernel.alpha), 0.5 * np.log(self.part), 0.5 * np.log(self.noise)]
        return np.array([0.5 * np.log(kernel.variance), *kernel.log_lengths, *rest])


def _read(at: Floats, coordinates: tuple[Coordinate, ...]) -> _Learned:
    kernel = Kernel(coordinates, at[1:-3], float(np.exp(2 * at[0])), float(np.exp(at[-3])))
    return _Learned(kernel, float(np.exp(2 * at[-2])), float(np.exp(2 * at[-1])))


def _first(rows: _Rows, sigma2: float) -> _Learned:
    lengths = np.full(len(rows.coordinates), _FIRST_LOG_LENGTH)
    kernel = Kernel(rows.coordinates, lengths, _FIRST_VARIANCE, float(np.exp(_FIRST_LOG_ALPHA)))
    return _Learned(kernel, 1.0, sigma2)


@dataclass(frozen=True)
class _Sample:
    """m rows to learn on: `base` (m, m) the backbone's covariance, `distances` one (m, m) a coordinate."""

    target: Floats
    base: Floats
    noise: Floats
    distances: Sequence[Floats]

    def loss(self, at: Floats) -> tuple[float, Floats]:
        """The negative log of marginal likelihood times prior, and its gradient.

        `at`: log amplitude, (p,) log lengths, log alpha, log roots of the backbone's part and of the noise.
        """
        p, alpha = len(self.distances), np.exp(at[-3])
        scaled = [d * np.exp(-2 * at[1 + j]) for j, d in enumerate(self.distances)]
        total = np.sum(scaled, axis=0)
        ratio = 1 + total / (2 * alpha)
        near = np.exp(2 * at[0]) * ratio**-alpha
        part, sigma2 = np.exp(2 * at[-2]), np.exp(2 * at[-1])
        covariance = near + part * self.base + np.diag(sigma2 * self.noise)
        try:
            factor = sl.cho_factor(covariance, lower=True, check_finite=False)
        except sl.LinAlgError:
            return 1e10, np.zeros_like(at)
        weights = sl.cho_solve(factor, self.target, check_finite=False)
        inner = sl.cho_solve(factor, np.eye(len(weights)), check_finite=False) - np.outer(weights, weights)
        slope = inner * near / ratio
        gradient = np.empty_like(at)
        gradient[0] = (inner * near).sum()
        gradient[1 : 1 + p] = [0.5 * (slope * d).sum() for d in scaled]
        gradient[-3] = 0.5 * (inner * near * (total / (2 * ratio) - alpha * np.log(ratio))).sum()
        gradient[-2] = part * (inner * self.base).sum()
        gradient[-1] = sigma2 * (np.diag(inner) * self.noise).sum()
        likelihood = 0.5 * self.target @ weights + np.log(np.diag(factor[0])).sum()
        penalty, pull = _prior_of(at)
        return float(likelihood + penalty), gradient + pull


def _prior_of(at: Floats) -> tuple[float, Floats]:
    means, precisions = np.zeros_like(at), np.zeros_like(at)
    means[1:-3], means[-3] = _FIRST_LOG_LENGTH, _FIRST_LOG_ALPHA
    precisions[1:-2], precisions[-2] = 1 / _PRIOR_SD**2, 1.0
    pull = (at - means) * precisions
    return float(0.5 * ((at - means) * pull).sum()), pull


def _learn(rows: _Rows, first: _Learned, seed: int) -> _Learned:
    """The covariance that the rows bear out best, sought from `first` on."""
    at, chance, before = first.vector(), np.random.default_rng(seed), 0
    largest = int(math.sqrt(_LARGEST / len(rows.coordinates)))
    for most, steps in ((_LEARN_ON, _STEPS), (largest, _LAST_STEPS)):
        count = min(len(rows.target), most)
        if count <= 1.2 * before:
            break
        before = count
        sample = _sample(rows.at(np.sort(chance.choice(len(rows.target), count, replace=False))))
        limits = [_AMPLITUDES, *[_LENGTHS] * len(rows.coordinates), _ALPHAS, _PARTS, _NOISES]
        at = minimize(
            sample.loss, at, jac=True, method="L-BFGS-B", bounds=limits, options={"maxiter": steps}
        ).x
    return _read(at, rows.coordinates)


def _sample(rows: _Rows) -> _Sample:
    places = rows.places
    distances = [c.distances(places[:, j], places[:, j]) for j, c in enumerate(rows.coordinates)]
    return _Sample(rows.target, (rows.design @ rows.design.T).toarray(), rows.noise, distances)
