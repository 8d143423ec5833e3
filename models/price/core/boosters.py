"""LightGBM's text model format, read without LightGBM: regression forests with numerical splits.

The format is that of LightGBM 4's `Tree::ToString`, and splits decide as `Tree::NumericalDecision` (written
from memory; tests compare with the library itself). Numbers have 17 digits, so that reading gives the same
doubles. The leaves already contain the learning rate and the start value.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from models.errors import ForestError

_CATEGORICAL = 1  # The bit of decision_type that marks a categorical split.
_MISSING = 2  # The number of the first bit of decision_type that holds the kind of missing value.
_VERSIONS = ("v3", "v4")
# Objectives whose prediction is the plain sum of the leaves.
_PLAIN = ("regression", "regression_l1", "huber", "fair", "quantile", "mape", "none", "custom")


@dataclass(frozen=True)
class Tree:
    """One tree with m splits and m + 1 leaves.

    `column`, `threshold`: of each split; a row goes left if its value ≤ the threshold. `left`, `right`: the
    children of each split: a child c ≥ 0 is split c, and c = −1 − l is leaf l. `leaves`: leaf values, with
    learning rate and start value.
    """

    column: tuple[int, ...]
    threshold: tuple[float, ...]
    left: tuple[int, ...]
    right: tuple[int, ...]
    leaves: tuple[float, ...]


@dataclass(frozen=True)
class Booster:
    """A boosted model that predicts the sum of its trees' leaves. `columns`: the names of its features."""

    columns: tuple[str, ...]
    trees: tuple[Tree, ...]


def read_boosters(texts: Sequence[str]) -> tuple[Booster, ...]:
    """Read boosters that are averaged. Raises ForestError if there is none or their features differ."""
    boosters = tuple(read_booster(text) for text in texts)
    if not boosters:
        raise ForestError("a forest needs at least one booster")
    if any(booster.columns != boosters[0].columns for booster in boosters):
        raise ForestError("the boosters of one bag must have the same features in the same order")
    return boosters


def read_booster(text: str) -> Booster:
    """Read a booster from the text of LightGBM's `Booster.model_to_string()`.

    Raises ForestError for other text, for text that is damaged or cut short, and for a booster that cannot be
    explained leaf by leaf: categorical splits, a side for missing values, linear leaves, several classes,
    averaged trees (rf), or a prediction that is not the sum of the leaves.
    """
    body, end, _ = text.partition("\nend of trees")
    head, *blocks = body.split("\nTree=")
    facts = _facts(head)
    _check_head(head, facts)
    columns = tuple(facts.get("feature_names", "").split())
    if not end or len(blocks) != len(facts.get("tree_sizes", "").split()):
        raise ForestError("the booster's text was cut short: it holds fewer trees than its tree_sizes says")
    if not columns or facts.get("max_feature_idx") != str(len(columns) - 1):
        raise ForestError("the booster's feature_names and max_feature_idx disagree: the text was edited")
    return Booster(columns, tuple(_tree(i, _facts(block), len(columns)) for i, block in enumerate(blocks)))


def _facts(block: str) -> dict[str, str]:
    return {key: value for key, mark, value in (line.partition("=") for line in block.splitlines()) if mark}


def _check_head(head: str, facts: Mapping[str, str]) -> None:
    if not head.startswith("tree\n") or facts.get("version") not in _VERSIONS:
        raise ForestError(
            f"not a booster's text: it starts with {head[:30]!r}, version {facts.get('version')!r}; "
            f"allowed: what LightGBM writes, version {' or '.join(_VERSIONS)}"
        )
    if (facts.get("num_class"), facts.get("num_tree_per_iteration")) != ("1", "1"):
        raise ForestError("the booster has several classes; only a regression on one value can be read")
    objective = facts.get("objective", "none").split() or ["none"]
    if objective[0] not in _PLAIN or "sqrt" in objective:
        raise ForestError(
            f"the booster's objective {' '.join(objective)!r} does not predict the sum of its leaves; "
            f"allowed, without sqrt: {', '.join(_PLAIN)}"
        )
    if "average_output" in head.splitlines():
        raise ForestError("the booster is a random forest (boosting=rf); fit with boosting=gbdt")


def _tree(i: int, facts: Mapping[str, str], columns: int) -> Tree:
    where = f"tree {i} of the booster"
    if facts.get("is_linear", "0") != "0":
        raise ForestError(f"{where} has linear leaves, which cannot be explained; fit with linear_tree=false")
    try:
        kinds = _integers(facts, "decision_type")
        tree = Tree(
            column=_integers(facts, "split_feature"),
            threshold=tuple(map(float, facts["threshold"].split())),
            left=_integers(facts, "left_child"),
            right=_integers(facts, "right_child"),
            leaves=tuple(map(float, facts["leaf_value"].split())),
        )
        leaves = int(facts["num_leaves"])
    except KeyError as missing:
        raise ForestError(f"{where} has no line {missing.args[0]!r}: the text was edited") from None
    except ValueError as problem:
        raise ForestError(f"{where}: {problem}: the text was edited") from None
    if any(kind & _CATEGORICAL for kind in kinds):
        raise ForestError(
            f"{where} has categorical splits, which cannot be explained; code levels as numbers"
        )
    if any(kind >> _MISSING & 3 for kind in kinds):
        raise ForestError(f"{where} has a side for missing values; fit with use_missing=false")
    _check_tree(tree, leaves, columns, where)
    return tree


def _integers(facts: Mapping[str, str], name: str) -> tuple[int, ...]:
    return tuple(map(int, facts[name].split()))


def _check_tree(tree: Tree, leaves: int, columns: int, where: str) -> None:
    """Raise ForestError unless the lists form one binary tree, parents first, with valid numbers."""
    m = leaves - 1
    lists = (tree.column, tree.threshold, tree.left, tree.right)
    if len(tree.leaves) != leaves or any(len(entries) != m for entries in lists):
        raise ForestError(
            f"{where} has lists of other lengths than its {leaves} leaves need: the text was edited"
        )
    if sorted(tree.left + tree.right) != ([*range(-leaves, 0), *range(1, m)] if m else []):
        raise ForestError(f"{where} is no binary tree: the text was edited")
    if any(
        0 <= child <= i for i, pair in enumerate(zip(tree.left, tree.right, strict=True)) for child in pair
    ):
        raise ForestError(f"{where} has a split before its parent: the text was edited")
    if any(not 0 <= column < columns for column in tree.column):
        raise ForestError(f"{where} splits on what the booster does not have: the text was edited")
    if not all(map(math.isfinite, tree.leaves)) or any(map(math.isnan, tree.threshold)):
        raise ForestError(f"{where} has a leaf or a threshold that is no number: the text was edited")
