"""The compressed covariance of the coefficients against the full one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from models.price.core.posterior import compressed

Floats = NDArray[np.float64]


def problem(rows: int = 60, noise: float = 0.2) -> tuple[Floats, Floats]:
    """Prior standard deviations of six coefficients, and their covariance after some data."""
    rng = np.random.default_rng(5)
    sd = np.array([1.0, 0.5, 0.8, 0.3, 1.5, 0.7])
    x = rng.normal(size=(rows, 6))
    x[:, 5] = x[:, 4] + 0.3 * x[:, 5]  # two columns that the data can hardly tell apart
    return sd, np.linalg.inv(x.T @ x / noise**2 + np.diag(1 / sd**2))


def padded(rows: Floats) -> tuple[NDArray[np.int64], Floats]:
    return np.tile(np.arange(rows.shape[1]), (len(rows), 1)), rows


def test_one_coefficient_by_hand() -> None:
    # Prior variance 4 and one look with variance 1: 1 / (1/4 + 1) = 0.8, of which a row of 3 has 9 times.
    found = compressed(np.array([[0.8]]), np.array([0]), np.array([2.0]), 5)
    rows = np.array([[1.0], [3.0], [0.0]])
    assert found.variance(*padded(rows)) == pytest.approx([0.8, 7.2, 0.0], rel=1e-12)


def test_with_every_direction_it_is_the_full_covariance() -> None:
    sd, covariance = problem()
    rows = np.random.default_rng(6).normal(size=(200, 6))
    full = np.einsum("ni,ij,nj->n", rows, covariance, rows)
    found = compressed(covariance, np.arange(6), sd, 6).variance(*padded(rows))
    assert found == pytest.approx(full, rel=1e-10)


def test_with_fewer_directions_it_errs_towards_more_variance_and_never_past_the_prior() -> None:
    sd, covariance = problem()
    rows = np.random.default_rng(7).normal(size=(200, 6))
    full, prior = np.einsum("ni,ij,nj->n", rows, covariance, rows), (rows**2) @ sd**2
    before = full
    for most in (5, 3, 1, 0):
        found = compressed(covariance, np.arange(6), sd, most).variance(*padded(rows))
        assert (found >= before - 1e-12).all() and (found <= prior + 1e-9).all()
        before = found
    assert before == pytest.approx(prior)


def test_the_directions_that_the_data_say_most_of_are_kept() -> None:
    sd, covariance = problem(rows=4, noise=1.0)
    shares = np.linalg.eigvalsh(np.eye(6) - covariance / np.outer(sd, sd))
    units = padded(np.diag(1 / sd))  # each coefficient in its own prior standard deviations
    assert 0.02 < shares[-3] < 0.9 * shares[-1]
    for most in (1, 2, 3):
        left = compressed(covariance, np.arange(6), sd, most).variance(*units).sum()
        assert left == pytest.approx(6 - shares[-most:].sum(), rel=1e-12)


def test_a_coefficient_that_no_data_touched_keeps_its_prior_and_a_dropped_one_has_none() -> None:
    sd, covariance = problem()
    more = np.array([*sd, 0.4, 0.0])
    found = compressed(covariance, np.arange(6), more, 6)
    rows = np.zeros((3, 8))
    rows[0, 6], rows[1, 7] = 1.0, 1.0  # a level never seen; a column that left the fit
    rows[2, [0, 6]] = 1.0
    expected = [0.16, 0.0, 0.16 + covariance[0, 0]]
    assert found.variance(*padded(rows)) == pytest.approx(expected, rel=1e-10, abs=1e-12)


def test_a_row_does_not_depend_on_the_rows_beside() -> None:
    sd, covariance = problem()
    found = compressed(covariance, np.arange(6), sd, 4)
    index, rows = padded(np.random.default_rng(8).normal(size=(150, 6)))
    alone = [float(found.variance(index[n : n + 1], rows[n : n + 1])[0]) for n in range(150)]
    assert alone == found.variance(index, rows).tolist()


def test_loadings_are_a_root_of_the_covariance_with_any_number_of_directions() -> None:
    sd, covariance = problem()
    rows = np.random.default_rng(8).normal(size=(50, 6))
    full = compressed(covariance, np.arange(6), sd, 6)
    loadings = full.loadings(rows * sd, (rows * sd) @ full.directions)
    assert loadings @ loadings.T == pytest.approx(rows @ covariance @ rows.T, rel=1e-9, abs=1e-12)
    for most in (3, 1, 0):
        found = compressed(covariance, np.arange(6), sd, most)
        loadings = found.loadings(rows * sd, (rows * sd) @ found.directions)
        assert (loadings**2).sum(axis=1) == pytest.approx(found.variance(*padded(rows)), rel=1e-9)
