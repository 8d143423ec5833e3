"""Kriging, trees and plain main effects on the same price, weighed by what each says of rows left out.

Methods that start from nothing in common err in different places, and a mean of them errs less than the best
(Breiman 1996, stacked regressions). Trees on what kriging leaves were tried too: on no table did they help.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from models.price.basis import Floats, Ints, Table
from models.price.core import Core
from models.price.spread import Spread
from models.price.trees import Forest
from training.fit import solve
from training.fit.core import Data, Fitted, Specification, backbone_of, problem_of
from training.fit.crossfit import cross_fit
from training.fit.kriging import Averaged, krige
from training.fit.problem import Bools
from training.fit.residual import BASE, left_out, train
from training.fit.scatter import fit_spread

_BAGS = 3
_ROUNDS, _PATIENCE = 1500, 40
_SHAPES: tuple[dict[str, object], ...] = tuple(
    {"objective": "regression", "num_leaves": 16, "min_data_in_leaf": 4, "lambda_l2": 1.0, **shape}
    for shape in ({"feature_fraction": 0.5}, {"feature_fraction": 1.0, "max_bin": 255})
)
_APART = 0.15  # standard deviation of weights about equal ones, before the rows have spoken
_ROUNDED = 0.1  # errors below this share of the mean error count as squares, so that the sum has a slope


@dataclass(frozen=True)
class Member:
    """One way to the price. `left_out`: (n,) its answers for rows that it was not fitted on."""

    predict: Callable[[Table], Floats]
    left_out: Floats


@dataclass(frozen=True)
class Stacked:
    """The mean of the members by `weights`, moved to the median of left-out prices; `core`: the backbone.

    Members that fit means and members that fit medians do not have the median between them of themselves.
    """

    core: Core
    kriging: Averaged
    members: tuple[Member, ...]
    weights: Floats
    spread: Spread

    def center(self, table: Table) -> Floats:
        """(n,) median log price."""
        return self.interval(table, ())[0]

    def interval(self, table: Table, levels: Sequence[float]) -> tuple[Floats, Floats, Floats]:
        """(n,) median and (n, levels) ends of the central ranges, all in log."""
        mixed = np.stack([member.predict(table) for member in self.members], axis=1) @ self.weights
        scale = self.spread.scale(table, mixed, self.kriging.variance(table))
        low, high = self.spread.ends(levels)
        median = mixed + scale * np.median(self.spread.shape)
        return median, mixed[:, None] + scale[:, None] * low, mixed[:, None] + scale[:, None] * high


def stacked(
    data: Data,
    spec: Specification,
    fitted: Fitted,
    seed: int = 0,
    step_done: Callable[[], object] = lambda: None,
) -> Stacked:
    """The best mix. `fitted`: the backbone of this data, without trees.

    Raises ValueError for a backbone with losses.
    """
    kriging, without = krige(fitted, data.table, spec.kriged, seed, step_done)
    core = replace(fitted.core, inputs=spec.forest)
    members = [Member(kriging.predict, without.value), *_trees(data, core, fitted, seed, step_done)]
    if spec.plain:
        members.append(_plain(data, spec, fitted))
    answers = np.stack([member.left_out for member in members], axis=1)
    y, sale = fitted.problem.y, data.sale
    center = _mixed(y, answers, fitted.folds, sale)
    spread = _spread(data, spec, fitted, center, without.variance)
    return Stacked(core, kriging, tuple(members), weights_of(y[sale], answers[sale]), spread)


# ── the members ──────────────────────────────────────────────────────────────


def _trees(
    data: Data, core: Core, fitted: Fitted, seed: int, step_done: Callable[[], object]
) -> Iterator[Member]:
    """Trees on the price, one forest for each shape."""
    y, weight = fitted.problem.y, fitted.pull / fitted.pull.mean()
    x, judged = core.forest_columns(data.table), np.where(data.sale, weight, 0.0)
    for shape in _SHAPES:
        params = {**BASE, **shape, "seed": seed}
        rounds, answers = left_out(params, x, y, weight, judged, fitted.folds, _ROUNDS, _PATIENCE)
        texts = [train({**params, "seed": seed + bag}, x, y, weight, rounds) for bag in range(_BAGS)]
        yield Member(_grown(Forest.from_text(texts), core), answers)
        step_done()


def _grown(forest: Forest, core: Core) -> Callable[[Table], Floats]:
    return lambda table: forest.predict(core.forest_columns(table))


def _plain(data: Data, spec: Specification, fitted: Fitted) -> Member:
    """A backbone of few terms: where rows are few, what is learned of variances costs more than it tells."""
    problem = replace(problem_of(data, replace(spec, terms=spec.plain)), y=fitted.problem.y)
    estimate = solve.fit(problem, solve.start(problem, math.inf))
    estimate = solve.fit(problem, estimate, most=1, learn=False)
    crossed = cross_fit(problem, estimate, fitted.folds)
    return Member(backbone_of(problem, estimate).predict, crossed.value)


# ── the mix ──────────────────────────────────────────────────────────────────


def weights_of(y: Floats, answers: Floats) -> Floats:
    """(k,) weights, none negative and 1 in all, of (n, k) answers: the likeliest mix.

    Errors count as they are, not squared (Laplace's law), since the value is a median. Before any row has
    spoken the weights are equal: few rows cannot tell good members from lucky ones.
    """
    count = answers.shape[1]
    equal = np.full(count, 1 / count)
    scale = float(np.abs(y - answers @ equal).mean()) or 1.0

    def loss(weights: Floats) -> tuple[float, Floats]:
        error = (y - answers @ weights) / scale
        size, away = np.sqrt(error**2 + _ROUNDED**2), (weights - equal) / _APART
        slope = -(answers.T @ (error / size)) / scale + away / _APART
        return float(size.sum() + 0.5 * away @ away) / len(y), slope / len(y)

    sums_to_one = {"type": "eq", "fun": lambda w: w.sum() - 1.0, "jac": np.ones_like}
    found = minimize(
        loss, equal, jac=True, method="SLSQP", bounds=[(0.0, 1.0)] * count, constraints=[sums_to_one]
    )
    weights = np.clip(found.x, 0.0, 1.0)
    return np.asarray(weights / weights.sum())


def _mixed(y: Floats, answers: Floats, folds: Ints, sale: Bools) -> Floats:
    """(n,) the mix of each fold by weights that it had no part in."""
    center = np.zeros(len(y))
    for fold in range(int(folds.max()) + 1):
        out, rest = folds == fold, (folds != fold) & sale
        center[out] = answers[out] @ weights_of(y[rest], answers[rest])
    return center


def _spread(data: Data, spec: Specification, fitted: Fitted, center: Floats, posterior: Floats) -> Spread:
    sale, before = data.sale, fitted.core.spread
    return fit_spread(
        {name: values[sale] for name, values in data.table.items()},
        center[sale],
        (fitted.problem.y - center)[sale],
        posterior[sale],
        columns=spec.scatter,
        hidden=before.hidden,
        time=spec.time,
        drift=before.drift,
    )
