"""General-purpose peers: each takes a table and log prices, and answers a centre and a 90% range.

Their ranges are constant on the log scale: the conformal quantile of out-of-fold residuals (CV+ in its simple
form), but for the boosted quantiles, which are corrected on rows kept out (Romano, Patterson & Candès 2019).
Only the yardstick imports these libraries.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from models.study.intervals import conformal_quantile, cqr_correction
from training.yardstick.tables import Floats, Ints, Table

LEVEL = 0.9
_INNER_FOLDS = 3


@dataclass(frozen=True)
class Guess:
    """(n,) centre and ends of the 90% range, log price."""

    center: Floats
    low: Floats
    high: Floats


class Learner(Protocol):
    """Fits rows of a table; gives back what predicts the (n,) centre of another."""

    def __call__(self, table: Table, y: Floats, seed: int) -> Callable[[Table], Floats]: ...


def folds(n: int, count: int, seed: int) -> list[Ints]:
    """`count` disjoint sets of rows, as even as can be, shuffled by `seed`."""
    order = np.random.default_rng(seed).permutation(n)
    return [np.sort(part) for part in np.array_split(order, count)]


def rows_of(table: Table, rows: Ints) -> Table:
    """The table of these rows."""
    return {name: values[rows] for name, values in table.items()}


def guess_with(learn: Learner, train: Table, y: Floats, test: Table, seed: int) -> Guess:
    """Fit on all of `train`; the width comes from the residuals of inner folds."""
    n = len(y)
    left = np.empty(n)
    for part in folds(n, _INNER_FOLDS, seed):
        rest = np.setdiff1d(np.arange(n), part)
        left[part] = y[part] - learn(rows_of(train, rest), y[rest], seed)(rows_of(train, part))
    width = conformal_quantile(np.abs(left), LEVEL)
    center = learn(train, y, seed)(test)
    return Guess(center, center - width, center + width)


# ── encodings ────────────────────────────────────────────────────────────────


class _Encoder:
    """Numbers as they are or filled and scaled; levels as codes or as one column each."""

    def __init__(self, table: Table) -> None:
        self.numbers = [name for name, v in table.items() if v.dtype.kind == "f"]
        self.levels = {
            name: sorted({v for v in table[name] if v}) for name in table if name not in self.numbers
        }
        with np.errstate(all="ignore"):
            known = {name: table[name][~np.isnan(table[name])] for name in self.numbers}
        self.middle = {name: float(np.median(v)) if len(v) else 0.0 for name, v in known.items()}
        self.spread = {name: (float(v.std()) or 1.0) if len(v) else 1.0 for name, v in known.items()}

    def codes(self, table: Table) -> Floats:
        """(n, columns): numbers with NaN, then levels as codes, NaN where unknown or unseen."""
        columns = [table[name] for name in self.numbers]
        for name, seen in self.levels.items():
            code = {level: float(i) for i, level in enumerate(seen)}
            columns.append(np.array([code.get(v, np.nan) for v in table[name]]))
        return np.stack(columns, axis=1)

    @property
    def code_levels(self) -> list[int]:
        """The positions in `codes` of the columns that hold levels."""
        return list(range(len(self.numbers), len(self.numbers) + len(self.levels)))

    def dense(self, table: Table, *, curves: bool) -> Floats:
        """(n, columns): numbers standardised, their squares if asked, unknowns marked; levels one by one."""
        columns: list[Any] = []
        for name in self.numbers:
            x = table[name]
            z = np.nan_to_num((x - self.middle[name]) / self.spread[name], nan=0.0)
            columns += [z, z * z, np.maximum(z, 0)] if curves else [z]
            columns.append(np.isnan(x).astype(float))
        for name, seen in self.levels.items():
            columns += [(table[name] == level).astype(float) for level in seen]
        return np.stack(columns, axis=1)


# ── the peers ────────────────────────────────────────────────────────────────


def ridge(table: Table, y: Floats, seed: int) -> Callable[[Table], Floats]:
    """Hedonic ridge: every level a dummy, numbers with squares, penalty by leave-one-out."""
    from sklearn.linear_model import RidgeCV

    enc = _Encoder(table)
    model = RidgeCV(np.logspace(-2, 3, 16)).fit(enc.dense(table, curves=True), y)
    return lambda other: np.asarray(model.predict(enc.dense(other, curves=True)))


def neighbours(table: Table, y: Floats, seed: int) -> Callable[[Table], Floats]:
    """k nearest comparables, weighted by nearness; columns weighted by their ridge effect; k by folds."""
    from sklearn.linear_model import RidgeCV
    from sklearn.model_selection import GridSearchCV
    from sklearn.neighbors import KNeighborsRegressor

    enc = _Encoder(table)
    x = enc.dense(table, curves=False)
    weight = np.abs(RidgeCV(np.logspace(-2, 3, 16)).fit(x, y).coef_)
    grid = {"n_neighbors": [k for k in (3, 5, 8, 12, 20) if k < 0.6 * len(y)]}
    search = GridSearchCV(KNeighborsRegressor(weights="distance"), grid, cv=3).fit(x * weight, y)
    return lambda other: np.asarray(search.predict(enc.dense(other, curves=False) * weight))


def forest(table: Table, y: Floats, seed: int) -> Callable[[Table], Floats]:
    """A random forest of 300 trees."""
    from sklearn.ensemble import RandomForestRegressor

    enc = _Encoder(table)
    model = RandomForestRegressor(300, max_features=0.4, min_samples_leaf=2, random_state=seed, n_jobs=1)
    model.fit(enc.codes(table), y)
    return lambda other: np.asarray(model.predict(enc.codes(other)))


def _boosted(params: Mapping[str, Any], rounds: int) -> Learner:
    def learn(table: Table, y: Floats, seed: int) -> Callable[[Table], Floats]:
        import lightgbm as lgb

        enc = _Encoder(table)
        data = lgb.Dataset(enc.codes(table), y, categorical_feature=enc.code_levels)
        fixed = {"verbose": -1, "num_threads": 1, "seed": seed, "deterministic": True}
        model = lgb.train({**fixed, **params}, data, rounds)
        return lambda other: np.asarray(model.predict(enc.codes(other), num_threads=1))

    return learn


plain_lightgbm = _boosted({}, 100)  # the library's own defaults

# Sparse levels need small groups; what else to try is common practice.
_TUNING: Sequence[tuple[Mapping[str, Any], int]] = tuple(
    (
        {
            "learning_rate": 0.04,
            "num_leaves": leaves,
            "min_data_in_leaf": least,
            "feature_fraction": 0.5,
            "bagging_fraction": 0.8,
            "bagging_freq": 1,
            "lambda_l2": 3.0,
            "min_data_per_group": 5,
            "cat_smooth": 5.0,
            "cat_l2": 5.0,
        },
        rounds,
    )
    for leaves, least in ((4, 5), (8, 5), (16, 10))
    for rounds in (400, 900)
)


def tuned_lightgbm(table: Table, y: Floats, seed: int) -> Callable[[Table], Floats]:
    """LightGBM with its settings chosen by folds of the training rows."""
    parts = folds(len(y), 3, seed + 1)

    def error(params: Mapping[str, Any], rounds: int) -> float:
        total = 0.0
        for part in parts:
            rest = np.setdiff1d(np.arange(len(y)), part)
            predict = _boosted(params, rounds)(rows_of(table, rest), y[rest], seed)
            total += float(((predict(rows_of(table, part)) - y[part]) ** 2).sum())
        return total

    params, rounds = min(_TUNING, key=lambda setting: error(*setting))
    return _boosted(params, rounds)(table, y, seed)


def xgboost(table: Table, y: Floats, seed: int) -> Callable[[Table], Floats]:
    """XGBoost on codes, its categories native."""
    import xgboost as xgb

    enc = _Encoder(table)
    kinds = ["c" if i in enc.code_levels else "q" for i in range(len(enc.numbers) + len(enc.levels))]

    def matrix(rows: Table, label: Floats | None = None) -> Any:
        return xgb.DMatrix(enc.codes(rows), label, feature_types=kinds, enable_categorical=True, nthread=1)

    params = {
        "eta": 0.05,
        "max_depth": 5,
        "subsample": 0.8,
        "colsample_bytree": 0.6,
        "seed": seed,
        "nthread": 1,
    }
    model = xgb.train({**params, "tree_method": "hist"}, matrix(table, y), 400)
    return lambda other: np.asarray(model.predict(matrix(other)), dtype=np.float64)


def catboost(table: Table, y: Floats, seed: int) -> Callable[[Table], Floats]:
    """CatBoost with its own encoding of the levels."""
    from catboost import CatBoostRegressor, Pool

    enc = _Encoder(table)

    def pool(rows: Table, label: Floats | None = None) -> Any:
        names = [*enc.numbers, *enc.levels]
        columns = [list(map(float, rows[n])) if n in enc.numbers else list(map(str, rows[n])) for n in names]
        return Pool([list(row) for row in zip(*columns, strict=True)], label, cat_features=enc.code_levels)

    model = CatBoostRegressor(
        iterations=600, random_seed=seed, verbose=0, thread_count=1, allow_writing_files=False
    )
    model.fit(pool(table, y))
    return lambda other: np.asarray(model.predict(pool(other)))


def quantiles(train: Table, y: Floats, test: Table, seed: int) -> Guess:
    """LightGBM at the 5%, 50% and 95% quantile, the outer two corrected on a fifth of the rows kept out."""
    kept = folds(len(y), 5, seed)[0]
    rest = np.setdiff1d(np.arange(len(y)), kept)
    part, price, params = rows_of(train, rest), y[rest], dict(_TUNING[2][0])

    def at(alpha: float) -> Callable[[Table], Floats]:
        return _boosted({**params, "objective": "quantile", "alpha": alpha}, 400)(part, price, seed)

    low, middle, high = at(0.05), at(0.5), at(0.95)
    calibration = rows_of(train, kept)
    scores = np.maximum(low(calibration) - y[kept], y[kept] - high(calibration))
    add = cqr_correction(scores, LEVEL)
    center = middle(test)
    return Guess(center, np.minimum(low(test) - add, center), np.maximum(high(test) + add, center))


LEARNERS: Mapping[str, Learner] = {
    "hedonic ridge": ridge,
    "nearest comparables": neighbours,
    "random forest": forest,
    "LightGBM, plain": plain_lightgbm,
    "LightGBM, tuned": tuned_lightgbm,
    "XGBoost": xgboost,
    "CatBoost": catboost,
}

Peer = Callable[[Table, Floats, Table, int], Guess]


def _with_width(learn: Learner) -> Peer:
    return lambda train, y, test, seed: guess_with(learn, train, y, test, seed)


PEERS: Mapping[str, Peer] = {
    **{name: _with_width(learn) for name, learn in LEARNERS.items()},
    "LightGBM, conformal quantiles": quantiles,
}
