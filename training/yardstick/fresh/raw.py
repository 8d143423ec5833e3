"""Boosted trees on the raw columns: a rival of our trees, which see only totals of the parts of a value."""

from collections.abc import Mapping
from dataclasses import dataclass

import lightgbm as lgb
import numpy as np

from models.price.core.basis import Floats, Table
from models.price.instruments.features import COLUMNS, LEVEL_COLUMNS
from training.fit.core import FittedCore
from training.fit.design.data import Data
from training.fit.design.specification import PARAMETERS
from training.fit.trees import answers_left_out, booster_text, weight_of

_BAGS, _ROUNDS = 4, 400
_LEVELS = tuple(name for name in COLUMNS if name in LEVEL_COLUMNS)

Codes = Mapping[str, Mapping[str, int]]


@dataclass(frozen=True)
class RawTrees:
    """Boosters on `COLUMNS`. `codes`: level column → level → its code. `weight`: factor on predictions."""

    codes: Codes
    boosters: tuple[lgb.Booster, ...]
    weight: float

    def says(self, table: Table) -> Floats:
        """Return (n,) corrections to add to the log values of the model without trees (the backbone)."""
        x = coded(table, self.codes)
        return np.asarray(self.weight * np.mean([booster.predict(x) for booster in self.boosters], axis=0))


def codes_of(table: Table) -> Codes:
    """Return an integer code for every level of each level column."""
    return {name: {level: k for k, level in enumerate(sorted(set(table[name])))} for name in _LEVELS}


def coded(table: Table, codes: Codes) -> Floats:
    """Return (n, columns) numbers, NaN for unknown; levels are codes, −1 for a level without a code."""
    columns = [
        np.array([codes[name].get(level, -1) for level in table[name]], np.float64)
        if name in codes
        else np.asarray(table[name], np.float64)
        for name in COLUMNS
    ]
    return np.stack(columns, axis=1)


def grow_raw(data: Data, fitted: FittedCore, seed: int = 0) -> RawTrees:
    """Fit trees on raw columns with the left-out residuals, folds and choice of rounds of our own trees.

    They are not held to pairs of columns or to the sign of a loss, so that they can fit all that ours can.
    """
    codes, sale = codes_of(data.table), data.sale
    x, target = coded(data.table, codes), fitted.left.residual - fitted.left.shift
    weight = fitted.crossed.weight / fitted.crossed.weight.mean()
    judged = np.where(sale, weight, 0.0)
    parameters = {
        **PARAMETERS,
        "alpha": float(np.quantile(np.abs(target), 0.9)),
        "use_missing": True,
    }
    levels = [COLUMNS.index(name) for name in _LEVELS]
    folds = fitted.crossed.folds
    rounds, answers = answers_left_out(parameters, x, target, weight, judged, folds, seed, _ROUNDS, levels)
    seeds = range(seed * _BAGS, (seed + 1) * _BAGS)
    texts = [booster_text(parameters, x, target, weight, rounds, one, levels) for one in seeds]
    share = weight_of(target, answers, judged, int(sale.sum()))
    return RawTrees(codes, tuple(lgb.Booster(model_str=text) for text in texts), share)
