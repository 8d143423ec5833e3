"""Reading boosters: what cannot be explained, or is damaged, is refused by name."""

from __future__ import annotations

import re

import lightgbm
import numpy as np
import pytest
from forests import WIDTH, Split, forest_text, train
from hypothesis import given
from hypothesis import strategies as st

from models.errors import ForestError
from models.price.core.boosters import read_booster, read_boosters
from models.price.core.pairs import PairTables

TREE = Split(0, 0.5, -1.0, Split(1, 0.25, 1.0, 2.0))
TEXT = forest_text([TREE, 0.125, TREE], 2)


def fitted(**params: object) -> str:
    rng = np.random.default_rng(0)
    x = rng.integers(0, 5, (200, 2)).astype(float)
    y = (x[:, 0] > 2) + 0.1 * x[:, 1] + 0.5
    settings = {
        "num_leaves": 5,
        "min_data_in_leaf": 5,
        "use_missing": False,
        "verbosity": -1,
        "num_threads": 1,
        **params,
    }
    categories = settings.pop("categories", [])
    data = lightgbm.Dataset(x, y.round() if "num_class" in params else y, categorical_feature=categories)
    return lightgbm.train(settings, data, 3).model_to_string()


def test_a_tree_by_hand() -> None:
    booster = read_booster(TEXT)
    assert booster.columns == ("c0", "c1")
    first, constant, _ = booster.trees
    assert list(first.column) == [0, 1]
    assert list(first.threshold) == [0.5, 0.25]
    assert list(first.leaves) == [-1, 1, 2]
    assert list(constant.leaves) == [0.125]
    assert len(constant.column) == 0


@pytest.mark.parametrize(
    ("params", "said"),
    [
        ({"objective": "regression", "categories": [0], "min_data_per_group": 1}, "categorical"),
        ({"objective": "regression", "linear_tree": True}, "linear"),
        ({"objective": "multiclass", "num_class": 5}, "classes"),
        ({"objective": "poisson"}, "poisson"),
        ({"objective": "regression", "reg_sqrt": True}, "sqrt"),
        ({"objective": "regression", "boosting": "rf", "bagging_freq": 1, "bagging_fraction": 0.5}, "forest"),
    ],
)
def test_what_is_not_a_sum_of_numerical_trees_is_refused(params: dict[str, object], said: str) -> None:
    text = fitted(**params)
    with pytest.raises(ForestError, match=said):
        read_booster(text)


@pytest.mark.parametrize("objective", ["regression", "regression_l1", "huber", "fair", "quantile", "mape"])
def test_objectives_that_predict_the_sum_of_their_leaves_are_read(objective: str) -> None:
    text = fitted(objective=objective)
    rows = np.random.default_rng(1).integers(0, 5, (50, 2)).astype(float)
    expected = lightgbm.Booster(model_str=text).predict(rows, num_threads=1)
    assert PairTables.from_text([text]).predict(rows) == pytest.approx(expected, abs=1e-12)


def test_an_objective_of_ones_own_is_read() -> None:
    rng = np.random.default_rng(0)
    x, y = rng.random((200, 2)), rng.random(200)

    def squares(raw: np.ndarray, data: lightgbm.Dataset) -> tuple[np.ndarray, np.ndarray]:
        return raw - data.get_label(), np.ones_like(raw)

    settings = {"objective": squares, "use_missing": False, "verbosity": -1, "num_threads": 1}
    booster = lightgbm.train(settings, lightgbm.Dataset(x, y), 5)
    expected = booster.predict(x, num_threads=1)
    assert PairTables.from_text([booster.model_to_string()]).predict(x) == pytest.approx(expected, abs=1e-12)


def edited(line: str, new: str) -> str:
    """The text with the first line that starts so replaced."""
    text, found = re.subn(rf"^{line}.*$", new, TEXT, count=1, flags=re.MULTILINE)
    assert found
    return text


@pytest.mark.parametrize(
    ("line", "new"),
    [
        ("leaf_value=", "leaf_value=1.0 2.0"),
        ("leaf_value=", "leaf_value=1.0 2.0 three"),
        ("leaf_value=", "leaf_value=1.0 2.0 nan"),
        ("leaf_value=", "leaf_value=1.0 2.0 inf"),
        ("leaf_value=", ""),
        ("threshold=", "threshold=0.5"),
        ("threshold=", "threshold=0.5 nan"),
        ("split_feature=", "split_feature=0 2"),
        ("split_feature=", "split_feature=0 -1"),
        ("left_child=", "left_child=0 -2"),  # a root below itself
        ("left_child=", "left_child=-1 -1"),  # a leaf with two parents
        ("left_child=", "left_child=-1 -9"),
        ("right_child=", "right_child=1"),
        ("decision_type=", "decision_type=0 1"),  # categorical
        ("decision_type=", "decision_type=0 8"),  # a side for missing values
        ("num_leaves=", "num_leaves=three"),
        ("max_feature_idx=", "max_feature_idx=7"),
        ("tree$", "forest"),
    ],
)
def test_a_damaged_text_is_refused(line: str, new: str) -> None:
    assert read_booster(TEXT)
    with pytest.raises(ForestError):
        read_booster(edited(line, new))


@pytest.mark.parametrize(
    "text", ["", "tree", "{}", "tree\nversion=v4\nend of trees", TEXT.replace("\n", " ")]
)
def test_what_is_no_text_model_is_refused(text: str) -> None:
    with pytest.raises(ForestError):
        read_booster(text)


def test_a_text_cut_short_anywhere_before_its_end_mark_is_refused() -> None:
    end = TEXT.index("end of trees") + len("end of trees")
    for cut in range(end):
        with pytest.raises(ForestError):
            read_booster(TEXT[:cut])


@given(st.integers(0, len(TEXT) - 1), st.characters(codec="utf-8"))
def test_one_letter_changed_is_read_or_refused_but_never_an_accident(at: int, letter: str) -> None:
    try:
        found = PairTables.from_text([TEXT[:at] + letter + TEXT[at + 1 :]])
        values = found.predict(np.zeros((1, len(found.names))))
    except ForestError:
        return
    assert np.isfinite(values).all()


def test_a_bag_needs_boosters_of_the_same_columns() -> None:
    with pytest.raises(ForestError):
        read_boosters([])
    with pytest.raises(ForestError, match="same"):
        read_boosters([TEXT, forest_text([TREE], 3)])


def test_only_the_best_iterations_of_an_early_stop_are_in_the_text() -> None:
    booster = train(0, rounds=30)
    booster.best_iteration = 12
    rows = np.random.default_rng(0).integers(0, 6, (50, WIDTH)).astype(float)
    found = PairTables.from_text([booster.model_to_string()])
    assert found.predict(rows) == pytest.approx(booster.predict(rows, num_threads=1), abs=1e-12)
    assert abs(found.predict(rows) - booster.predict(rows, num_iteration=30, num_threads=1)).max() > 1e-3


def test_a_version_that_nobody_tried_is_refused() -> None:
    with pytest.raises(ForestError, match=r"version 'v2'.*v3 or v4"):
        read_booster(TEXT.replace("version=v4", "version=v2"))


def test_splits_that_lead_back_to_themselves_are_refused() -> None:
    """Every split and leaf is somebody's child once, and yet no walk from the root reaches most of them."""
    text = forest_text([Split(0, 0.5, 0.0, Split(1, 0.5, 1.0, Split(0, 0.75, 2.0, 3.0)))], 2)
    start, end = text.index("left_child="), text.index("leaf_value=")
    with pytest.raises(ForestError, match="before its parent"):
        read_booster(text[:start] + "left_child=-1 2 1\nright_child=-2 -3 -4\n" + text[end:])
