"""How sure the difference of two values is: only what differs between the two is in doubt."""

from __future__ import annotations

import numpy as np
import pytest

from models.price.posterior import compressed
from models.price.spread import hidden_difference


def posterior_and_covariance(p: int = 6):
    """A posterior after 40 made observations of p coefficients, and its covariance written out."""
    rng = np.random.default_rng(3)
    sd = np.array([0.5, 1.0, 2.0, 0.3, 1.0, 0.7])[:p]
    x = rng.normal(size=(40, p))
    covariance = np.linalg.inv(np.diag(1 / sd**2) + x.T @ x / 0.1)
    return compressed(covariance, np.arange(p), sd, most=p), covariance


def test_the_variance_of_a_difference_is_that_of_the_merged_row() -> None:
    posterior, covariance = posterior_and_covariance()
    one = (np.array([[0, 1, 4], [2, 3, 3]]), np.array([[1.0, 0.5, 2.0], [1.0, 0.25, 0.5]]))
    other = (np.array([[0, 1, 5], [2, 4, 1]]), np.array([[1.0, 1.5, 2.0], [1.0, 0.0, 1.0]]))
    # By hand: row 0 differs by −1 in column 1, +2 in column 4, −2 in column 5; row 1 by .75 in 3, −1 in 1.
    merged = np.array([[0, -1, 0, 0, 2, -2], [0, -1, 0, 0.75, 0, 0]], dtype=float)
    expected = np.einsum("ij,jk,ik->i", merged, covariance, merged)
    assert posterior.difference(one, other) == pytest.approx(expected, rel=1e-4)


def test_what_both_share_is_not_in_it() -> None:
    posterior, _ = posterior_and_covariance()
    row = (np.array([[0, 1, 2]]), np.array([[1.0, 3.0, -2.0]]))
    assert posterior.difference(row, row) == pytest.approx([0.0], abs=1e-12)
    assert posterior.variance(*row)[0] > 1e-4


def test_a_single_other_stands_beside_every_row() -> None:
    posterior, _ = posterior_and_covariance()
    rows = (np.array([[0, 1], [2, 3], [4, 5]]), np.array([[1.0, 1.0], [0.5, 1.0], [1.0, -1.0]]))
    alone = (np.array([[1, 4]]), np.array([[2.0, 1.0]]))
    repeated = tuple(np.repeat(part, 3, axis=0) for part in alone)
    assert (posterior.difference(rows, alone) == posterior.difference(rows, repeated)).all()


def test_a_field_that_only_one_of_two_does_not_know_counts_once() -> None:
    hidden = {"neck": 0.04, "top": 0.01}
    one = {"neck": np.array([np.nan, 1.0, np.nan]), "top": np.array([1.0, np.nan, np.nan])}
    other = {"neck": np.array([np.nan, np.nan, 2.0]), "top": np.array([1.0, 1.0, 1.0])}
    assert hidden_difference(hidden, one, other, 3) == pytest.approx([0.0, 0.05, 0.05])
