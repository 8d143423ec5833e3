"""Forests for tests: written by hand or at random as LightGBM's text, or trained by LightGBM itself.

LightGBM reads the same texts, so that its predictions judge ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import lightgbm
import numpy as np
from numpy.typing import NDArray

from models.price.core.pairs import PairTables

Floats = NDArray[np.float64]
TINY = float(np.float32(1e-35))  # at most this far from zero is zero to LightGBM
NONE, ZERO, NAN = 0, 1, 2  # kinds of missing value


@dataclass(frozen=True)
class Split:
    """`left`, `right`: another split, or a leaf's value."""

    column: int
    threshold: float
    left: Split | float
    right: Split | float
    missing: int = NONE
    default_left: bool = False


def forest_text(trees: Sequence[Split | float], columns: int, objective: str = "regression") -> str:
    """The text model of these trees."""
    blocks = [f"Tree={i}\n{_tree_text(tree)}\n\n" for i, tree in enumerate(trees)]
    head = [
        "tree",
        "version=v4",
        "num_class=1",
        "num_tree_per_iteration=1",
        "label_index=0",
        f"max_feature_idx={columns - 1}",
        f"objective={objective}",
        "feature_names=" + " ".join(f"c{i}" for i in range(columns)),
        "feature_infos=" + " ".join(["[-1e300:1e300]"] * columns),
        "tree_sizes=" + " ".join(str(len(block)) for block in blocks),
    ]
    return (
        "\n".join(head) + "\n\n" + "".join(blocks) + "end of trees\n\nfeature_importances:\n\nparameters:\n"
    )


def _tree_text(tree: Split | float) -> str:
    splits: list[Split] = []
    leaves: list[float] = []
    children: list[list[int]] = []

    def place(node: Split | float) -> int:
        if not isinstance(node, Split):
            leaves.append(node)
            return -len(leaves)
        at = len(splits)
        splits.append(node)
        children.append([0, 0])
        children[at] = [place(node.left), place(node.right)]
        return at

    place(tree)
    lists: dict[str, list[Any]] = {
        "split_feature": [s.column for s in splits],
        "split_gain": [1] * len(splits),
        "threshold": [repr(float(s.threshold)) for s in splits],
        "decision_type": [s.missing << 2 | s.default_left << 1 for s in splits],
        "left_child": [pair[0] for pair in children],
        "right_child": [pair[1] for pair in children],
        "leaf_value": [repr(float(v)) for v in leaves],
        "leaf_weight": [1] * len(leaves),
        "leaf_count": [1] * len(leaves),
        "internal_value": [0] * len(splits),
        "internal_weight": [1] * len(splits),
        "internal_count": [2] * len(splits),
    }
    lines = [f"{key}={' '.join(map(str, entries))}" for key, entries in lists.items()]
    return "\n".join([f"num_leaves={len(leaves)}", "num_cat=0", *lines, "is_linear=0", "shrinkage=1", ""])


def random_tree(
    rng: np.random.Generator, columns: int, leaves: int, used: frozenset[int] = frozenset()
) -> Split | float:
    """Any tree of so many leaves with at most two columns on a path, `used` the ones above it.

    Thresholds are few, so that columns repeat and values hit them; none is zero, as LightGBM has it.
    """
    if leaves == 1:
        return float(rng.normal())
    on_left = int(rng.integers(1, leaves))
    column = int(rng.choice(sorted(used)) if len(used) == 2 else rng.integers(columns))
    below = used | {column}
    return Split(
        column,
        float(rng.choice([-1.5, -TINY, TINY, 0.5, 1.0, 2.5])),
        random_tree(rng, columns, on_left, below),
        random_tree(rng, columns, leaves - on_left, below),
    )


# Values that lie on, between and beyond the thresholds of `random_tree`, and at infinity. None but zero lies
# within `TINY` of zero: LightGBM takes those for zero, which no input of a price model ever meets.
ODD_VALUES = (-np.inf, -2, -1.5, -2 * TINY, -0.0, 0, 2 * TINY, 0.5, 0.7, 1, 2.5, 3, np.inf)


def random_rows(rng: np.random.Generator, n: int, columns: int) -> Floats:
    """(n, columns) of `ODD_VALUES`."""
    return np.asarray(rng.choice(np.array(ODD_VALUES), (n, columns)))


def judge(text: str, rows: Floats) -> Floats:
    """(n,) what LightGBM itself predicts from this text."""
    booster = lightgbm.Booster(model_str=text)
    return np.asarray(booster.predict(rows, num_threads=1), dtype=np.float64)


def market_rows(rng: np.random.Generator, n: int) -> Floats:
    """(n, 8) made-up rows: four grades 0–5, two measures and two switches."""
    return np.column_stack(
        [rng.integers(0, 6, (n, 4)), rng.normal(size=(n, 2)), rng.integers(0, 2, (n, 2))]
    ).astype(np.float64)


WIDTH = 8
WORSE = (0, 1, 2, 3)  # the columns of `market_rows` whose growth lowers the value in `train`
SIGNS = [-1] * 4 + [0] * 4


def train(seed: int, rounds: int = 60, leaves: int = 15, n: int = 1500, **params: Any) -> lightgbm.Booster:
    """A booster on made-up rows: at most two columns on a path, and falling with the grades (`WORSE`)."""
    rng = np.random.default_rng(seed)
    x = market_rows(rng, n)
    loss = x[:, :4] @ rng.uniform(0.05, 0.2, 4)
    y = x[:, 4] * (1 + x[:, 6]) - loss * (1 + 0.5 * x[:, 7]) + 0.05 * rng.normal(size=n)
    settings: dict[str, Any] = {
        "objective": "regression",
        "num_leaves": leaves,
        "learning_rate": 0.1,
        "min_data_in_leaf": 5,
        "feature_fraction": 0.6,
        "monotone_constraints": SIGNS,
        "monotone_constraints_method": "basic",
        "interaction_constraints": [list(pair) for pair in combinations(range(WIDTH), 2)],
        "use_missing": False,
        "num_threads": 1,
        "verbosity": -1,
        "seed": seed,
        **params,
    }
    return lightgbm.train(settings, lightgbm.Dataset(x, y), rounds)


def effects_of(tables: PairTables, x: Floats, r: Floats) -> Floats:
    """(n, p) the effects alone."""
    return tables.explained(x, r)[2]


def strengths_of(tables: PairTables, x: Floats) -> dict[tuple[str, str], float]:
    """Pair of names → the standard deviation of what its table says beyond its two inputs alone."""
    return {pair: float(left.std()) for pair, left in tables.beyond(x).items()}
