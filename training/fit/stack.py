"""Kriging, and trees on the price beside it in the share that left-out rows ask for.

Trees that start from nothing err elsewhere than kriging does, and a mean of both errs less than either
(Breiman 1996, stacked regressions). Trees on what kriging leaves were tried too: on no table did they help.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.price.basis import Floats, Table
from models.price.core import Core
from models.price.spread import Spread
from models.price.trees import Forest
from training.fit.core import Data, Fitted, Specification
from training.fit.kriging import Kriging, krige
from training.fit.problem import Bools
from training.fit.residual import BASE, left_out, train
from training.fit.scatter import fit_spread

_BAGS = 5
_ROUNDS, _PATIENCE = 1500, 40
_SHARES = np.linspace(0.0, 0.9, 19)  # never all: the ranges are those of kriging
_SHAPES: tuple[dict[str, object], ...] = tuple(
    {"objective": "regression", "num_leaves": 16, "min_data_in_leaf": 4, "lambda_l2": 1.0, **shape}
    for shape in ({"feature_fraction": 0.5}, {"feature_fraction": 1.0, "max_bin": 255})
)


@dataclass(frozen=True)
class Stacked:
    """The median is `1 - share` of the kriging and `share` of the forest; `core` is the backbone alone."""

    core: Core
    kriging: Kriging
    forest: Forest
    share: float
    spread: Spread

    def center(self, table: Table) -> Floats:
        """(n,) median log price."""
        trees = self.forest.predict(self.core.forest_columns(table))
        return np.asarray((1 - self.share) * self.kriging.predict(table) + self.share * trees)

    def interval(self, table: Table, levels: Sequence[float]) -> tuple[Floats, Floats, Floats]:
        """(n,) median and (n, levels) ends of the central ranges, all in log."""
        center = self.center(table)
        scale = self.spread.scale(table, center, self.kriging.variance(table))
        low, high = self.spread.ends(levels)
        return center, center[:, None] + scale[:, None] * low, center[:, None] + scale[:, None] * high


@dataclass(frozen=True)
class Boosted:
    """What boosting the price in one way gave: settings, rounds, and (n,) answers for rows left out."""

    params: dict[str, object]
    rounds: int
    answers: Floats


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
    y, weight = fitted.problem.y, fitted.pull / fitted.pull.mean()
    kriging, without = krige(fitted, data.table, spec.kriged, seed, step_done)
    core = replace(fitted.core, inputs=spec.forest)
    x, judged = core.forest_columns(data.table), np.where(data.sale, weight, 0.0)
    tried = []
    for shape in _SHAPES:
        params = {**BASE, **shape, "seed": seed}
        tried.append(
            Boosted(params, *left_out(params, x, y, weight, judged, fitted.folds, _ROUNDS, _PATIENCE))
        )
        step_done()
    best, share = best_mix(y, without.value, tried, data.sale)
    texts = [train({**best.params, "seed": seed + bag}, x, y, weight, best.rounds) for bag in range(_BAGS)]
    center = (1 - share) * without.value + share * best.answers
    spread = _spread(data, spec, fitted, center, without.variance)
    return Stacked(core, kriging, Forest.from_text(texts), share, spread)


def best_mix(y: Floats, base: Floats, tried: Sequence[Boosted], sale: Bools) -> tuple[Boosted, float]:
    """The boosters, and their share beside `base` (n,), that err least on sales left out.

    Errors count as they are, not squared: the value is a median.
    """
    errors = {
        (at, share): float(np.abs(y - (1 - share) * base - share * one.answers)[sale].mean())
        for at, one in enumerate(tried)
        for share in _SHARES.tolist()
    }
    at, share = min(errors, key=errors.__getitem__)
    return tried[at], share


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
