"""The covariance of prices: some part of the backbone's own, and one that falls with distance.

Both are learned together, by the marginal likelihood of the rows (Rasmussen & Williams 2006, ch. 5).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp
from scipy.optimize import minimize

from models.price.basis import Floats, Ints
from training.fit.nearness import Coordinate, Kernel

# The covariance is learned on some rows, then a little more on as many as memory holds.
FEW, _STEPS = 900, 80  # rows are few if they are all learned on
_LARGEST, _LAST_STEPS = 1e8, 6  # distances, of all coordinates together
_SETTLED = 1e-6  # relative change of the log likelihood (a few hundred nats) at which it is learned
_FIRST_VARIANCE, _FIRST_LOG_LENGTH, _FIRST_LOG_ALPHA = 0.15**2, 1.0, 0.5
# Natural logarithms between which each is sought; a noise of half a percent is as little as prices ever have.
_AMPLITUDES, _LENGTHS, _ALPHAS, _PARTS, _NOISES = (
    (-9.0, 2.0),
    (-5.0, 8.0),
    (-3.0, 7.0),
    (-3.0, 3.0),
    (-5.3, 1.0),
)
_PRIOR_SD = 1.0  # of log lengths and log alpha about their first value


@dataclass(frozen=True)
class Rows:
    """n rows. `design`: (n, columns) times the root of prior variances; `noise`: (n,) 1 for most rows."""

    coordinates: tuple[Coordinate, ...]
    design: sp.csr_matrix
    places: Floats
    target: Floats
    noise: Floats

    def at(self, keep: Ints) -> Rows:
        """These rows alone."""
        return replace(
            self,
            design=self.design[keep],
            places=self.places[keep],
            target=self.target[keep],
            noise=self.noise[keep],
        )


@dataclass(frozen=True)
class Learned:
    """`part`: factor on the backbone's variances. `noise`: variance of an ordinary row."""

    kernel: Kernel
    part: float
    noise: float

    def covariance(self, rows: Rows) -> Floats:
        """(n, n) of the rows' values."""
        near = self.kernel.between(rows.places, rows.places)
        return np.asarray(self.part * (rows.design @ rows.design.T).toarray() + near)

    def vector(self) -> Floats:
        """As `Sample.loss` takes it."""
        kernel = self.kernel
        rest = [np.log(kernel.alpha), 0.5 * np.log(self.part), 0.5 * np.log(self.noise)]
        return np.array([0.5 * np.log(kernel.variance), *kernel.log_lengths, *rest])


def _read(at: Floats, coordinates: tuple[Coordinate, ...]) -> Learned:
    kernel = Kernel(coordinates, at[1:-3], float(np.exp(2 * at[0])), float(np.exp(at[-3])))
    return Learned(kernel, float(np.exp(2 * at[-2])), float(np.exp(2 * at[-1])))


def first_of(rows: Rows, sigma2: float) -> Learned:
    """A guess to start from; `sigma2`: the backbone's noise variance."""
    lengths = np.full(len(rows.coordinates), _FIRST_LOG_LENGTH)
    kernel = Kernel(rows.coordinates, lengths, _FIRST_VARIANCE, float(np.exp(_FIRST_LOG_ALPHA)))
    return Learned(kernel, 1.0, sigma2)


@dataclass(frozen=True)
class Sample:
    """m rows to learn on: `base` (m, m) the backbone's covariance, `distances` (p, m, m) by coordinate."""

    target: Floats
    base: Floats
    noise: Floats
    distances: Floats

    def loss(self, at: Floats) -> tuple[float, Floats]:
        """The negative log of marginal likelihood times prior, and its gradient.

        `at`: log amplitude, (p,) log lengths, log alpha, log roots of the backbone's part and of the noise.
        """
        p, alpha = len(self.distances), np.exp(at[-3])
        nearness = np.exp(-2 * at[1 : 1 + p])
        total = np.tensordot(nearness, self.distances, 1)
        ratio = 1 + total / (2 * alpha)
        log_ratio = np.log(ratio)
        near = np.exp(2 * at[0] - alpha * log_ratio)
        part, sigma2 = np.exp(2 * at[-2]), np.exp(2 * at[-1])
        covariance = near + part * self.base + np.diag(sigma2 * self.noise)
        try:
            factor = sl.cho_factor(covariance, lower=True, check_finite=False)
        except sl.LinAlgError:
            return 1e10, np.zeros_like(at)
        weights = sl.cho_solve(factor, self.target, check_finite=False)
        inner = _from_factor(factor[0]) - np.outer(weights, weights)
        slope = inner * near / ratio
        gradient = np.empty_like(at)
        gradient[0] = (inner * near).sum()
        gradient[1 : 1 + p] = 0.5 * nearness * np.tensordot(self.distances, slope, 2)
        gradient[-3] = 0.5 * (inner * near * (total / (2 * ratio) - alpha * log_ratio)).sum()
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


def learn(rows: Rows, first: Learned, seed: int) -> Learned:
    """The covariance that the rows bear out best, sought from `first` on."""
    at, chance, before = first.vector(), np.random.default_rng(seed), 0
    largest = int(math.sqrt(_LARGEST / len(rows.coordinates)))
    for most, steps in ((FEW, _STEPS), (largest, _LAST_STEPS)):
        count = min(len(rows.target), most)
        if count <= 1.2 * before:
            break
        before = count
        sample = sample_of(rows.at(np.sort(chance.choice(len(rows.target), count, replace=False))))
        limits = [_AMPLITUDES, *[_LENGTHS] * len(rows.coordinates), _ALPHAS, _PARTS, _NOISES]
        options = {"maxiter": steps, "ftol": _SETTLED}
        at = minimize(sample.loss, at, jac=True, method="L-BFGS-B", bounds=limits, options=options).x
    return _read(at, rows.coordinates)


def sample_of(rows: Rows) -> Sample:
    """The sample of all these rows."""
    places, count = rows.places, len(rows.target)
    distances = np.empty((len(rows.coordinates), count, count))
    for j, coordinate in enumerate(rows.coordinates):
        distances[j] = coordinate.distances(places[:, j], places[:, j])
    return Sample(rows.target, (rows.design @ rows.design.T).toarray(), rows.noise, distances)


def inverse(matrix: Floats) -> Floats:
    """Of a symmetric positive definite matrix. Raises LinAlgError for another."""
    return _from_factor(sl.cho_factor(matrix, lower=True, check_finite=False)[0])


def _from_factor(factor: Floats) -> Floats:
    """The inverse of the matrix that has this lower Cholesky factor."""
    half = np.tril(sl.lapack.dpotri(factor, lower=1)[0])
    return np.asarray(half + np.tril(half, -1).T)
