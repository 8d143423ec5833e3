"""Boosted trees on what the backbone leaves, kept only where cross-validation says that they help."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import lightgbm as lgb
import numpy as np

from models.price.basis import Floats, Ints
from models.price.monotone import wrong_steps
from models.price.trees import Forest

_ROUNDS, _PATIENCE = 600, 40
_LEAST_GAIN = 0.002  # share of the left-out squared error that trees must take away to be kept
_LEAST_ERRORS = 3.0  # standard errors that this must be: the best of many tries gains something by chance

BASE: dict[str, object] = {
    "objective": "huber",
    "learning_rate": 0.04,
    "feature_fraction": 0.5,
    "bagging_fraction": 0.7,
    "bagging_freq": 1,
    "max_bin": 63,
    "verbosity": -1,
    "num_threads": 1,
    "deterministic": True,
    "force_row_wise": True,
}
_SHAPES: tuple[dict[str, float], ...] = (
    {"num_leaves": 5, "min_data_in_leaf": 40, "lambda_l2": 20.0},
    {"num_leaves": 12, "min_data_in_leaf": 20, "lambda_l2": 10.0},
    {"num_leaves": 31, "min_data_in_leaf": 10, "lambda_l2": 5.0},
)


@dataclass(frozen=True)
class Boosted:
    """`texts`: boosters to average, none where trees do not help. `left_out`: (n,) their left-out answers."""

    texts: tuple[str, ...]
    left_out: Floats
    gain: float


def boost(
    x: Floats,
    residual: Floats,
    weight: Floats,
    judged: Floats,
    folds: Ints,
    signs: Sequence[int],
    seed: int,
    bags: int = 3,
    step_done: Callable[[], object] = lambda: None,
) -> Boosted:
    """Fit the residual (n,) on x (n, p); `judged`: (n,) weights of the rows that the choice is judged on.

    `signs`: (p,) −1 where more may only lower. LightGBM's "basic" method: the others can break their
    own constraints once values are missing. The signs are proven on every tree all the same.
    """
    alpha = float(np.quantile(np.abs(residual), 0.9))
    common = {**BASE, "alpha": alpha, "monotone_constraints": list(signs)}
    common |= {"monotone_constraints_method": "basic"}
    before = float((judged * residual**2).sum())
    best, best_error, best_answers = None, before, np.zeros(len(residual))
    for shape in _SHAPES:
        if shape["min_data_in_leaf"] * 6 > len(residual):
            continue
        params = {**common, **shape, "seed": seed}
        rounds, answers = left_out(params, x, residual, weight, judged, folds)
        step_done()
        error = float((judged * (residual - answers) ** 2).sum())
        if error < best_error:
            best, best_error, best_answers = (shape, rounds), error, answers
    gain = 1 - best_error / before if before else 0.0
    if (
        best is None
        or gain < _LEAST_GAIN
        or _by_chance(judged * (residual**2 - (residual - best_answers) ** 2))
    ):
        return Boosted((), np.zeros(len(residual)), gain)
    shape, rounds = best
    texts = tuple(
        train({**common, **shape, "seed": seed + b}, x, residual, weight, rounds) for b in range(bags)
    )
    proven = {f"Column_{i}": sign for i, sign in enumerate(signs) if sign}
    if wrong_steps(Forest.from_text(texts), proven):
        return Boosted((), np.zeros(len(residual)), 0.0)
    return Boosted(texts, best_answers, gain)


def _by_chance(gained: Floats) -> bool:
    """Whether these (n,) gains may well sum to nothing."""
    return float(gained.sum()) < _LEAST_ERRORS * math.sqrt(float((gained**2).sum()))


def left_out(
    params: dict[str, object],
    x: Floats,
    residual: Floats,
    weight: Floats,
    judged: Floats,
    folds: Ints,
    most: int = _ROUNDS,
    patience: int = _PATIENCE,
) -> tuple[int, Floats]:
    """The number of rounds that does best over all folds, and every row's answer after that many."""
    paths = []
    boosters = []
    for fold in range(int(folds.max()) + 1):
        inside, out = np.flatnonzero(folds != fold), np.flatnonzero(folds == fold)
        data = lgb.Dataset(x[inside], residual[inside], weight=weight[inside], free_raw_data=True)
        valid = data.create_valid(x[out], residual[out], weight=np.maximum(judged[out], 1e-12))
        seen: dict[str, dict[str, list[float]]] = {}
        booster = lgb.train(
            {**params, "metric": "l2"},
            data,
            most,
            valid_sets=[valid],
            callbacks=[lgb.record_evaluation(seen), lgb.early_stopping(patience, verbose=False)],
        )
        path = np.array(seen["valid_0"]["l2"]) * float(judged[out].sum())
        paths.append(np.concatenate([path, np.full(most - len(path), path[-1])]))
        boosters.append((out, booster))
    rounds = int(np.argmin(np.sum(paths, axis=0))) + 1
    answers = np.zeros(len(residual))
    for out, booster in boosters:
        answers[out] = booster.predict(x[out], num_iteration=min(rounds, booster.current_iteration()))
    return rounds, answers


def train(params: dict[str, object], x: Floats, residual: Floats, weight: Floats, rounds: int) -> str:
    """A booster of so many rounds, as text."""
    booster = lgb.train(params, lgb.Dataset(x, residual, weight=weight), rounds)
    return str(booster.model_to_string())
