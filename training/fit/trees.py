"""Boosted trees that correct the regression (backbone) for interactions between the parts of a value.

Their inputs are the backbone's totals of each part, by the coefficients that are served, so that a level is
the same number in every row. Their target is the backbone's residual on rows that it was not fitted on. A
path splits on two inputs at most, so that the trees add up to tables (`models.price.core.pairs`). The trees
replace a share of the losses: they learn residual − share · losses, and may never rise with a loss. The value
counts the rest of the losses itself, so it never rises with a loss either, whatever the trees make of it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import lightgbm as lgb
import numpy as np

from models.price.core.basis import Floats, Ints
from models.price.core.core import Input, Trees
from models.price.core.pairs import PairTables
from training.fit.design.specification import Growth
from training.fit.solve.leftout import LeftOut

_LEAST_ROWS = 120  # A leaf takes at least 20 rows, so that trees could hardly split fewer rows than this.
# The weight of the trees is the slope of left-out residuals on the trees' answers, times
# slope² / (slope² + _SHY · squared standard error), times n² / (n² + _HALF²) for n sales. With _FULL sales
# or more it is at least _LEAST.
_SHY, _HALF, _FULL, _LEAST = 4.0, 400.0, 1500, 0.1


@dataclass(frozen=True)
class Grown:
    """The fitted trees, None if there are none, and how they do on n left-out rows.

    `bent`: (n,) the net change of each left-out log value by the trees: their weighted answers in place of
    the shares of losses and level that they replace. `gain`: the share of the squared error of left-out sales
    that they remove; `gain_error`: its standard error. `rounds`: number of rounds of each booster.
    """

    trees: Trees | None
    bent: Floats
    gain: float
    gain_error: float
    rounds: int


def no_trees(rows: int) -> Grown:
    """Return the result without trees, for this number of rows."""
    return Grown(None, np.zeros(rows), 0.0, 0.0, 0)


def grow(
    x: Floats,
    left: LeftOut,
    weight: Floats,
    sale: np.ndarray,
    folds: Ints,
    inputs: Sequence[Input],
    growth: Growth,
    seed: int,
    step_done: Callable[[], object] = lambda: None,
) -> Grown:
    """Fit trees to the regression's residuals on n rows that it was not fitted on, from inputs x (n, p).

    `weight`: (n,) precision of each row. `sale`: (n,) True for rows by which the trees' weight is chosen.
    """
    residual, count = left.residual - left.shift, int(sale.sum())
    if not inputs or len(residual) < _LEAST_ROWS:
        return no_trees(len(residual))
    handed = growth.handed if any(one.sign for one in inputs) else 0.0
    given = growth.handed_level * left.level - handed * left.taken
    target, weight = residual + given, weight / weight.mean()
    parameters = {
        **growth.parameters,
        "alpha": float(np.quantile(np.abs(residual - handed * left.taken), 0.9)),
        "monotone_constraints": [one.sign for one in inputs],
        "interaction_constraints": [list(pair) for pair in combinations(range(len(inputs)), 2)],
    }
    judged = np.where(sale, weight, 0.0)
    rounds, answers = answers_left_out(
        parameters, x, target, weight, judged, folds, seed, growth.rounds, patience=growth.patience
    )
    step_done()
    says = answers - given
    share = weight_of(residual, says, judged, count)
    texts = tuple(
        booster_text(parameters, x, target, weight, rounds, seed * growth.bags + bag)
        for bag in range(growth.bags)
    )
    tables = PairTables.from_text(texts)
    if tables.wrong_steps([one.sign for one in inputs]):
        raise RuntimeError("the boosted trees broke a sign that they were fitted under; report this")
    gained = judged * (residual**2 - (residual - share * says) ** 2)
    before = float((judged * residual**2).sum())
    return Grown(
        Trees(tuple(inputs), texts, tables, share, handed, growth.handed_level),
        share * says,
        float(gained.sum()) / before,
        float(np.sqrt((gained**2).sum())) / before,
        rounds,
    )


def weight_of(residual: Floats, says: Floats, judged: Floats, sales: int) -> float:
    """Return the weight of the trees in a value, from 0 to 1, by how well they do on left-out rows (`_SHY`).

    It falls smoothly, without a threshold, with fewer sales and with a larger standard error of the slope.
    """
    squares = float((judged * says**2).sum())
    if squares <= 0:
        return 0.0
    slope = float((judged * residual * says).sum()) / squares
    error2 = float((judged**2 * says**2 * (residual - slope * says) ** 2).sum()) / squares**2
    believed = slope * slope**2 / (slope**2 + _SHY * error2)
    floor = _LEAST * min(sales / _FULL, 1.0) ** 2
    return float(np.clip(believed * sales**2 / (sales**2 + _HALF**2), floor, 1.0))


def answers_left_out(
    parameters: dict[str, object],
    x: Floats,
    target: Floats,
    weight: Floats,
    judged: Floats,
    folds: Ints,
    seed: int,
    most: int,
    levels: Sequence[int] = (),
    patience: int = 0,
) -> tuple[int, Floats]:
    """Return the best number of rounds over all folds, and each row's answer by trees grown without its fold.

    `most`: the most rounds. `levels`: the columns of x that hold category codes. `patience`: see `Growth`.
    """
    paths, boosters = np.zeros(most), []
    stop = [lgb.early_stopping(patience, verbose=False)] if patience else []
    for fold in range(int(folds.max()) + 1):
        inside, out = np.flatnonzero(folds != fold), np.flatnonzero(folds == fold)
        data = lgb.Dataset(x[inside], target[inside], weight=weight[inside], categorical_feature=list(levels))
        valid = data.create_valid(x[out], target[out], weight=np.maximum(judged[out], 1e-12))
        seen: dict[str, dict[str, list[float]]] = {}
        booster = lgb.train(
            {**parameters, "metric": "l2", "seed": seed},
            data,
            most,
            valid_sets=[valid],
            callbacks=[lgb.record_evaluation(seen), *stop],
        )
        path = seen["valid_0"]["l2"]
        path += path[-1:] * (most - len(path))  # After an early stop, the last error stands for later rounds.
        paths += np.array(path) * float(judged[out].sum())
        boosters.append((out, booster))
    rounds = int(np.argmin(paths)) + 1
    answers = np.zeros(len(target))
    for out, booster in boosters:
        answers[out] = booster.predict(x[out], num_iteration=rounds)
    return rounds, answers


def booster_text(
    parameters: dict[str, object],
    x: Floats,
    target: Floats,
    weight: Floats,
    rounds: int,
    seed: int,
    levels: Sequence[int] = (),
) -> str:
    """Fit a booster of `rounds` rounds and return its text. `levels`: columns of x with category codes."""
    data = lgb.Dataset(x, target, weight=weight, categorical_feature=list(levels))
    return str(lgb.train({**parameters, "seed": seed}, data, rounds).model_to_string())
