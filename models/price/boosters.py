"""LightGBM's text model format, read without LightGBM: regression forests with numerical splits.

Format and decisions as in LightGBM 4 (`Tree::ToString`, `Tree::NumericalDecision` in its
include/LightGBM/tree.h; memory, and compared with `Booster.predict` in the tests).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.errors import ForestError

_CATEGORICAL, _DEFAULT_LEFT = 1, 2
_MISSING_ZERO, _MISSING_NAN = 1, 2  # the two bits above those; 0 is "none"
ZERO = float(np.float32(1e-35))  # what LightGBM takes for zero: kZeroThreshold, a float
# Objectives whose raw score is the prediction itself.
_PLAIN = ("regression", "regression_l1", "huber", "fair", "quantile", "mape", "none", "custom")


@dataclass(frozen=True)
class Tree:
    """One tree: m inner nodes and m + 1 leaves. A child c ≥ 0 is node c (> its parent), −1 − l is leaf l.

    `column`, `threshold` (+inf where only NaN goes right), `default_left`, `missing`, `left`, `right`: (m,).
    `leaves`: (m + 1,) values, learning rate and start value included.
    """

    column: NDArray[np.int64]
    threshold: NDArray[np.float64]
    default_left: NDArray[np.bool_]
    missing: NDArray[np.int64]
    left: NDArray[np.int64]
    right: NDArray[np.int64]
    leaves: NDArray[np.float64]

    def goes_left(self, node: int, x: NDArray[np.float64]) -> NDArray[np.bool_]:
        """(n,) whether each of n values of the node's column goes to its left child."""
        missing = self.missing[node]
        if missing == _MISSING_NAN:
            absent = np.isnan(x)
        else:
            x = np.nan_to_num(x, nan=0.0, posinf=np.inf, neginf=-np.inf)
            absent = (np.abs(x) <= ZERO) & (missing == _MISSING_ZERO)
        default: NDArray[np.bool_] = np.where(absent, self.default_left[node], x <= self.threshold[node])
        return default

    def zero_is_missing(self, node: int) -> bool:
        """Whether the node sends zeros where it sends what is missing."""
        return bool(self.missing[node] == _MISSING_ZERO)


@dataclass(frozen=True)
class Booster:
    """The trees of one text model, which predicts the sum of their leaves. `columns`: the features' names."""

    columns: tuple[str, ...]
    trees: tuple[Tree, ...]


def read_booster(text: str) -> Booster:
    """The booster that `Booster.model_to_string()` wrote.

    Raises ForestError for what is no such text, is cut short, or holds what cannot be explained leaf by leaf:
    categorical splits, linear leaves, several classes, averaged (rf) boosters, a link between score and
    value.
    """
    head, *parts = text.split("end of trees", 1)[0].split("\nTree=")
    about = _keys(head)
    if "end of trees" not in text or not head.startswith("tree"):
        raise ForestError("not a whole LightGBM text model: it must run from 'tree' to 'end of trees'")
    _check_kind(about, head)
    columns = tuple(about.get("feature_names", "").split())
    if len(columns) != _number(about, "max_feature_idx") + 1:
        raise ForestError("the text model's feature_names and max_feature_idx disagree: the file is damaged")
    if len(parts) != len(about.get("tree_sizes", "").split()):
        raise ForestError("the text model does not hold as many trees as its tree_sizes: the file is damaged")
    return Booster(columns, tuple(_tree(i, _keys(part), len(columns)) for i, part in enumerate(parts)))


def _keys(part: str) -> dict[str, str]:
    return {key: value for key, mark, value in (line.partition("=") for line in part.splitlines()) if mark}


def _number(keys: Mapping[str, str], name: str, default: int | None = None) -> int:
    try:
        return int(keys[name]) if default is None or name in keys else default
    except (KeyError, ValueError):
        raise ForestError(f"the text model has no whole number {name!r}: the file is damaged") from None


def _check_kind(about: Mapping[str, str], head: str) -> None:
    objective = about.get("objective", "none").split() or ["none"]
    if _number(about, "num_class", 1) != 1 or _number(about, "num_tree_per_iteration", 1) != 1:
        raise ForestError("the text model has several classes; only a regression on one value can be read")
    if objective[0] not in _PLAIN or "sqrt" in objective:
        raise ForestError(
            f"the text model's objective is {' '.join(objective)!r}; allowed, without sqrt: "
            + ", ".join(_PLAIN)
        )
    if "average_output" in head.split():
        raise ForestError("the text model is a random forest (boosting=rf); fit with boosting=gbdt")


def _array(keys: Mapping[str, str], name: str, size: int, dtype: type[Any], where: str) -> NDArray[Any]:
    try:
        found = np.array(keys.get(name, "").split(), dtype=dtype)
    except (ValueError, OverflowError):
        found = np.empty(0, dtype)
    if len(found) != size or np.isnan(found).any():
        raise ForestError(f"{where} must have {size} numbers in {name!r}: the file is damaged")
    return found


def _tree(i: int, keys: Mapping[str, str], columns: int) -> Tree:
    where = f"tree {i} of the text model"
    if _number(keys, "num_cat", 0):
        raise ForestError(
            f"{where} has categorical splits, which cannot be explained; code levels as numbers"
        )
    if _number(keys, "is_linear", 0):
        raise ForestError(f"{where} has linear leaves, which cannot be explained; fit with linear_tree=false")
    m = _number(keys, "num_leaves") - 1
    kind = _array(keys, "decision_type", m, np.int64, where)
    left, right = (_array(keys, f"{side}_child", m, np.int64, where) for side in ("left", "right"))
    tree = Tree(
        column=_array(keys, "split_feature", m, np.int64, where),
        threshold=_array(keys, "threshold", m, np.float64, where),
        default_left=(kind & _DEFAULT_LEFT) > 0,
        missing=(kind >> 2) & 3,
        left=left,
        right=right,
        leaves=_array(keys, "leaf_value", m + 1, np.float64, where),
    )
    if (kind & _CATEGORICAL).any() or (tree.missing > _MISSING_NAN).any():
        raise ForestError(f"{where} has a decision_type that is not a numerical split")
    _check_tree(tree, columns, where)
    return tree


def _check_tree(tree: Tree, columns: int, where: str) -> None:
    """Every node and leaf but the root is the child of one earlier node, so that the walk ends."""
    if not np.isfinite(tree.leaves).all():
        raise ForestError(f"{where} has a leaf that is no finite number: the file is damaged")
    m = len(tree.column)
    children = np.concatenate((tree.left, tree.right))
    parents = np.tile(np.arange(m), 2)
    whole = sorted(children) == sorted([*range(1, m), *range(-1 - m, 0)]) if m else True
    if not whole or (children[children >= 0] <= parents[children >= 0]).any():
        raise ForestError(f"{where} is no binary tree: the file is damaged")
    if m and (tree.column.min() < 0 or tree.column.max() >= columns):
        raise ForestError(f"{where} splits on a feature that the model does not have: the file is damaged")


def read_boosters(texts: Sequence[str]) -> tuple[Booster, ...]:
    """The boosters of one bag. Raises ForestError where there is none, or their features differ."""
    boosters = tuple(read_booster(text) for text in texts)
    if not boosters:
        raise ForestError("a forest needs at least one booster")
    if any(booster.columns != boosters[0].columns for booster in boosters):
        raise ForestError("the boosters of one bag must have the same features in the same order")
    return boosters
