"""Folds that learn their own variances, and designs that are worked out whole."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.sparse as sp

from training.fit.design.problem import Problem, layout_of, matrix
from training.fit.design.terms import BackboneTerm, levels, linear
from training.fit.solve.crossfit import cross_fit, relearned
from training.fit.solve.empirical_bayes import fit_backbone
from training.fit.solve.normal_equations import squares_of, variances_of
from training.fit.solve.solution import first_solution

TERMS = (BackboneTerm("x", (linear("x"),)), BackboneTerm("town", (levels("town"),)))


@pytest.fixture(scope="module")
def problem() -> Problem:
    rng = np.random.default_rng(3)
    table = {"x": rng.uniform(-1, 1, 200), "town": rng.choice(list("abcdefgh"), 200).astype(object)}
    blocks = [block for term in TERMS if (block := term.fitted(table)) is not None]
    layout = layout_of(blocks, [])
    y = table["x"] + 0.2 * (table["town"] == "b") + 0.1 * rng.standard_normal(200)
    return Problem(layout, matrix(layout, table), y, np.zeros(200, np.int64), np.ones(200))


def test_a_fold_has_no_say_in_its_own_coefficients(problem: Problem) -> None:
    folds = np.arange(200) % 5
    est = fit_backbone(problem, first_solution(problem, np.inf))
    moved = np.where(folds == 2, problem.y + 3.0, problem.y)
    before, after = (relearned(replace(problem, y=y), est, folds).thetas for y in (problem.y, moved))
    assert before[2].tolist() == after[2].tolist()
    assert np.abs(before[1] - after[1]).max() > 0.1


def test_variances_that_the_whole_fit_got_wrong_are_learned_again(problem: Problem) -> None:
    """Held variances that are far too small leave nothing of the slope; folds of their own find it."""
    folds = np.arange(200) % 5
    est = fit_backbone(problem, first_solution(problem, np.inf))
    shy = replace(est, tau2=np.where(problem.layout.flat, est.tau2, 5e-5))
    column = 0  # of the slope, per standard deviation of x: that of a uniform number on (−1, 1) is 0.577
    assert np.abs(cross_fit(problem, shy, folds).thetas[:, column]).max() < 0.45
    np.testing.assert_allclose(relearned(problem, shy, folds).thetas[:, column], 0.577, atol=0.05)


@pytest.mark.parametrize("share", [0.03, 0.5])
def test_full_and_empty_designs_are_summed_alike(share: float) -> None:
    rng = np.random.default_rng(0)
    rows = rng.standard_normal((60, 20)) * (rng.random((60, 20)) < share)
    weight, root = rng.uniform(0.5, 2, 60), rng.standard_normal((20, 20))
    squares = sum(w * np.outer(x, x) for w, x in zip(weight, rows, strict=True))
    np.testing.assert_allclose(squares_of(sp.csr_matrix(rows), weight), squares, atol=1e-12)
    variances = [((x @ root) ** 2).sum() for x in rows]
    np.testing.assert_allclose(
        variances_of(sp.csr_matrix(rows), root @ root.T), variances, rtol=1e-10, atol=1e-12
    )
