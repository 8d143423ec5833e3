"""Trees on the price itself beside the backbone and its residual, in the share that left-out rows ask for.

Where a table has much that the backbone's form cannot say, trees that start from nothing err elsewhere than
the backbone does, and a mean of both errs less than either (Breiman 1996, stacked regressions).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from models.price.backbone import Backbone
from models.price.basis import Floats, Ints
from models.price.core import Core
from models.price.trees import Forest
from training.fit import solve
from training.fit.core import Data, Fitted, Specification
from training.fit.residual import BASE, left_out, train
from training.fit.scatter import fit_spread

_BAGS = 5  # boosters; the share of trees on the price is a whole number of them, never all
_ROUNDS, _PATIENCE = 1500, 40
_RELEARNING = 5  # steps of the fit from where the whole fit ended
_ON_RESIDUAL: tuple[dict[str, object], ...] = (
    {"num_leaves": 12, "min_data_in_leaf": 20, "lambda_l2": 10.0},
    {
        "num_leaves": 31,
        "min_data_in_leaf": 3,
        "lambda_l2": 0.3,
        "feature_fraction": 0.8,
        "bagging_fraction": 0.9,
    },
)
_ON_PRICE: tuple[dict[str, object], ...] = tuple(
    {"objective": "regression", "num_leaves": 16, "min_data_in_leaf": 4, "lambda_l2": 1.0, **shape}
    for shape in ({"feature_fraction": 0.5}, {"feature_fraction": 1.0, "max_bin": 255})
)


@dataclass(frozen=True)
class _Trees:
    """What boosting one target gave: settings, rounds, and (n,) answers for rows left out."""

    params: dict[str, object]
    rounds: int
    answers: Floats


@dataclass(frozen=True)
class _Rows:
    """What all boosters share. `x`: (n, p); `signs`: (p,)."""

    x: Floats
    weight: Floats
    judged: Floats
    folds: Ints
    signs: list[int]
    seed: int

    def boosted(self, target: Floats, params: dict[str, object], step_done: Callable[[], object]) -> _Trees:
        rounds, answers = left_out(
            params, self.x, target, self.weight, self.judged, self.folds, _ROUNDS, _PATIENCE
        )
        step_done()
        return _Trees(params, rounds, answers)

    def settings(self, shape: dict[str, object], alpha: float) -> dict[str, object]:
        own: dict[str, object] = {**BASE, "seed": self.seed, "monotone_constraints": self.signs, **shape}
        return own | ({"alpha": alpha} if own["objective"] == "huber" else {})


def stacked(
    data: Data,
    spec: Specification,
    fitted: Fitted,
    seed: int = 0,
    step_done: Callable[[], object] = lambda: None,
) -> Core:
    """A core of this backbone, trees on its residual and trees on the price. `fitted`: without trees.

    Raises ValueError for a backbone with losses: a share of one is not a backbone.
    """
    if fitted.core.backbone.families:
        raise ValueError("only a backbone without losses can be stacked; fit it without trees on the price")
    y, base = fitted.problem.y, _relearned(fitted)
    weight = fitted.crossed.weight / fitted.crossed.weight.mean()
    signs = [spec.signs.get(i.name, 0) for i in spec.forest]
    judged = np.where(data.sale, weight, 0.0)
    rows = _Rows(_seen(spec, fitted.core.backbone, data), weight, judged, fitted.folds, signs, seed)
    alpha = float(np.quantile(np.abs(y - base), 0.9))
    on_residual = [rows.boosted(y - base, rows.settings(s, alpha), step_done) for s in _ON_RESIDUAL]
    on_price = [rows.boosted(y, rows.settings(s, alpha), step_done) for s in _ON_PRICE]
    first, second, share, center = _best(y, base, on_residual, on_price, data.sale)
    backbone = _part_of(fitted.core.backbone, 1 - share / _BAGS)
    rows = replace(rows, x=_seen(spec, backbone, data))
    texts = tuple(
        train({**t.params, "seed": seed + bag}, rows.x, target, weight, t.rounds)
        for bag in range(_BAGS)
        for t, target in [(second, y) if bag < share else (first, y - base)]
    )
    core = replace(
        fitted.core,
        backbone=backbone,
        inputs=spec.forest,
        forest=Forest.from_text(texts),
        forest_texts=texts,
    )
    return _with_spread(core, data, spec, fitted, center)


def _relearned(fitted: Fitted) -> Floats:
    """(n,) the backbone's answers for rows left out, its variances learned anew without them.

    With the variances of the whole fit these rows would have helped to choose what answers for them, and
    the backbone would look better beside trees than it is.
    """
    problem, value = fitted.problem, np.zeros(len(fitted.problem.y))
    for fold in range(int(fitted.folds.max()) + 1):
        out = fitted.folds == fold
        own = solve.fit(problem.rows(~out), fitted.estimate, most=_RELEARNING)
        value[out] = solve.predict(problem.layout, problem.x[out], own.theta, own.cap)
    return value


def _seen(spec: Specification, backbone: Backbone, data: Data) -> Floats:
    return np.stack([i.values(backbone, data.table) for i in spec.forest], axis=1)


def _part_of(backbone: Backbone, share: float) -> Backbone:
    return replace(backbone, theta=backbone.theta * share, intercept=backbone.intercept * share)


def _best(
    y: Floats, base: Floats, on_residual: list[_Trees], on_price: list[_Trees], sale: np.ndarray
) -> tuple[_Trees, _Trees, int, Floats]:
    """The pair of boosters, the bags of the second and the (n,) left-out answers that err least on sales.

    Errors count as they are, not squared: the value is a median.
    """
    found: list[tuple[float, _Trees, _Trees, int, Floats]] = []
    for first in on_residual:
        for second in on_price:
            for share in range(_BAGS):
                part = share / _BAGS
                center = (1 - part) * (base + first.answers) + part * second.answers
                found.append((float(np.abs(y - center)[sale].mean()), first, second, share, center))
    return min(found, key=lambda one: one[0])[1:]


def _with_spread(core: Core, data: Data, spec: Specification, fitted: Fitted, center: Floats) -> Core:
    sale, before = data.sale, fitted.core.spread
    spread = fit_spread(
        {name: values[sale] for name, values in data.table.items()},
        center[sale],
        (fitted.problem.y - center)[sale],
        fitted.crossed.posterior[sale],
        columns=spec.scatter,
        hidden=before.hidden,
        time=spec.time,
        drift=before.drift,
    )
    return replace(core, spread=spread)
