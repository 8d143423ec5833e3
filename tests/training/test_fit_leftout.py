"""Left-out answers: each fold's against a fit of the rows of the other folds, written out here."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from plain import Plain

from models.price.core.backbone import BLANK, loss_of
from models.price.core.basis import Table
from models.price.core.core import BLANKS, LOSS, PART, Input
from training.fit.core import backbone_of, problem_of
from training.fit.design.data import Data
from training.fit.design.problem import Problem
from training.fit.design.recipes import graded, levels, raw
from training.fit.design.specification import Specification
from training.fit.design.terms import BackboneTerm
from training.fit.solve.crossfit import CrossFit, cross_fit, folds_of
from training.fit.solve.empirical_bayes import fit_backbone
from training.fit.solve.leftout import LeftOut, inputs_of, left_out
from training.fit.solve.solution import Solution, first_solution

Floats = NDArray[np.float64]
ROWS = 90
ENCODING = Plain(
    {"maker": "a", "size": 0.0, "wear": 0.0},
    losses=("wear",),
    curved=frozenset({"size"}),
    typical=("size",),
    may_be={"size": [(-1.0, 0.25), (1.0, 0.75)]},
    steps=4,
)
SPEC = Specification(
    (
        BackboneTerm("maker", (levels("maker"),), part="identity"),
        BackboneTerm("size", (raw("size"),), part="size"),
        BackboneTerm("size blank", (raw("size_blank", -1.0),), BLANK),
        BackboneTerm("wear", (graded("wear", 4),), loss_of("condition"), part="condition"),
    )
)
INPUTS = (
    Input("identity", PART),
    Input("size", PART),
    Input("condition", LOSS, sign=-1),
    Input("unknown", BLANKS, ("wear",), -1),
)


def made() -> Data:
    """Blank sizes are paid .2 more; askings are .5 higher; wear costs 1/8 a grade."""
    rng = np.random.default_rng(8)
    maker = rng.choice(np.array(["a", "b"], object), ROWS)
    size, wear = rng.normal(size=ROWS), rng.integers(0, 5, ROWS).astype(float)
    y = 8 + np.where(maker == "b", 0.6, 0.0) + 0.3 * size - wear / 8 + rng.normal(0, 0.1, ROWS)
    blank = rng.random(ROWS) < 0.2
    size = np.where(blank, 0.0, size)
    y = np.where(blank, y + 0.2, y)
    wear[rng.random(ROWS) < 0.1] = np.nan
    gap = ["asking" if n % 3 == 0 else "" for n in range(ROWS)]
    y = y + np.array([0.5 if g else 0.0 for g in gap])
    table: Table = {"maker": maker, "size": size, "size_blank": blank.astype(float), "wear": wear}
    rows = [
        ENCODING.row(maker=m, size=None if b else s, wear=None if math.isnan(w) else w)
        for m, s, b, w in zip(maker, size, blank, wear, strict=True)
    ]
    # Every two rows are one specimen.
    return Data(table, rows, y, gap, gap, [str(n // 2) for n in range(ROWS)])


@pytest.fixture(scope="module")
def data() -> Data:
    return made()


@pytest.fixture(scope="module")
def fitted(data: Data) -> tuple[Problem, Solution, CrossFit]:
    problem = problem_of(data, SPEC)
    spread = np.random.default_rng(9).uniform(1, 2, ROWS)
    problem = replace(problem, spread=spread)
    estimate = fit_backbone(problem, first_solution(problem, math.inf), most=4, learn=False)
    return problem, estimate, cross_fit(problem, estimate, folds_of(data.specimen, 0))


@pytest.fixture(scope="module")
def left(data: Data, fitted: tuple[Problem, Solution, CrossFit]) -> LeftOut:
    problem, _, crossed = fitted
    return left_out(data, problem.layout, crossed, math.inf, None, ENCODING)


def design(data: Data) -> Floats:
    """(n, 9) by hand: maker a, b, unknown, unseen | size | its blank | minus wear | intercept | asking."""
    t = data.table
    usual = np.nanmean(t["wear"])
    wear = np.where(np.isnan(t["wear"]), usual, t["wear"]) / 4
    zero, one = np.zeros(ROWS), np.ones(ROWS)
    asking = np.array([float(g == "asking") for g in data.gap])
    columns = [
        t["maker"] == "a",
        t["maker"] == "b",
        zero,
        zero,
        t["size"],
        -t["size_blank"],
        -wear,
        one,
        asking,
    ]
    return np.stack([np.asarray(c, np.float64) for c in columns], axis=1)


def without(data: Data, fitted: tuple[Problem, Solution, CrossFit], fold: int) -> tuple[Floats, Floats]:
    """Coefficients and their covariance by ridge regression of the other folds, at the fit's row weights.

    The column of blanks is left out: here blanks raise the price, and the fit lets no blank do so.
    """
    problem, estimate, crossed = fitted
    x = design(data)
    # Tails of 5 degrees, noise variance .1 and prior variance .05: where the fit starts, and stays here.
    residual = data.y - x @ estimate.theta
    weight = 6 / (5 + residual**2 / (0.1 * problem.spread)) / (0.1 * problem.spread)
    inside = crossed.folds != fold
    precision = np.diag([20.0] * 7 + [1e-6] * 2)
    rest = x[inside].T @ (x[inside] * weight[inside, None]) + precision
    moment, free = x[inside].T @ (weight[inside] * data.y[inside]), np.arange(9) != 5
    assert np.linalg.solve(rest, moment)[5] < -0.05
    covariance = np.zeros((9, 9))
    covariance[np.ix_(free, free)] = np.linalg.inv(rest[np.ix_(free, free)])
    return covariance @ moment, covariance


def test_each_fold_has_the_coefficients_of_a_fit_without_it(
    data: Data, fitted: tuple[Problem, Solution, CrossFit]
) -> None:
    _, estimate, crossed = fitted
    for fold in range(5):
        theta, covariance = without(data, fitted, fold)
        assert crossed.thetas[fold] == pytest.approx(theta, abs=1e-8)
        assert np.abs(theta - estimate.theta).max() > 1e-3
        out = crossed.folds == fold
        x = design(data)[out]
        assert crossed.posterior[out] == pytest.approx(np.einsum("ni,ij,nj->n", x, covariance, x), rel=1e-8)
    assert theta[6] > 0.1  # the bound on losses is not met: the regression here knows none


def test_left_out_parts_are_those_of_a_backbone_fitted_without_the_fold(
    data: Data, fitted: tuple[Problem, Solution, CrossFit], left: LeftOut
) -> None:
    _, _, crossed = fitted
    x, t = design(data), data.table
    for fold in range(5):
        out, theta = crossed.folds == fold, without(data, fitted, fold)[0]
        assert left.taken[out] == pytest.approx(-x[out, 6] * theta[6], abs=1e-8)
        assert left.residual[out] == pytest.approx((data.y - x @ theta)[out], abs=1e-8)
        assert left.level[out] == pytest.approx(x[out, :6] @ theta[:6] + theta[7], abs=1e-8)
        # A blank size may be −1 or 1: mean .5, variance 1 − .25, of what a size is worth to this fold.
        blank = t["size_blank"][out] > 0
        assert left.shift[out] == pytest.approx(np.where(blank, 0.5 * theta[4], 0.0), abs=1e-8)
        assert left.mixture[out] == pytest.approx(np.where(blank, 0.75 * theta[4] ** 2, 0.0), abs=1e-8)


def test_trees_see_the_parts_of_the_one_backbone_that_is_served(
    data: Data, fitted: tuple[Problem, Solution, CrossFit]
) -> None:
    problem, estimate, _ = fitted
    theta, x, t = estimate.theta, design(data), data.table
    maker = np.where(t["maker"] == "a", theta[0], theta[1])
    by_hand = [maker, theta[4] * t["size"], -x[:, 6] * theta[6], np.isnan(t["wear"])]
    seen = inputs_of(data.rows, backbone_of(problem, theta, math.inf), ENCODING, INPUTS)
    assert seen == pytest.approx(np.stack(by_hand, axis=1), abs=1e-8)


def test_a_row_says_nothing_of_itself(
    data: Data, fitted: tuple[Problem, Solution, CrossFit], left: LeftOut
) -> None:
    """Higher prices in one fold move the left-out parts of the other folds, and none of its own."""
    problem, estimate, crossed = fitted
    fold = crossed.folds == 2
    moved = replace(problem, y=problem.y + np.where(fold, 0.3, 0.0))
    other = cross_fit(moved, estimate, crossed.folds)
    again = left_out(data, problem.layout, other, math.inf, None, ENCODING)
    same, changed = again.level[fold] - left.level[fold], again.level[~fold] - left.level[~fold]
    assert np.abs(same).max() < 1e-9 < 1e-3 < np.abs(changed).max()
    assert np.abs(again.residual[fold] - left.residual[fold]).max() < 1e-9
