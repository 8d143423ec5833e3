"""The proof of monotone trees, on trees by hand, against sampling, and on what LightGBM makes."""

from __future__ import annotations

import numpy as np
import pytest
from forests import NAN, WORSE, Split, forest_text, judge, random_tree, train
from hypothesis import given
from hypothesis import strategies as st
from models.price.monotone import wrong_steps
from models.price.trees import Forest

FALLING = {f"Column_{column}": -1 for column in WORSE}


def forest_of(*trees: Split | float, columns: int = 3) -> Forest:
    return Forest.from_text([forest_text(trees, columns)])


def test_one_split_by_hand() -> None:
    falls = forest_of(Split(0, 0.5, 2.0, -1.0))
    assert wrong_steps(falls, {"c0": -1, "c1": -1, "c2": 1}) == {}
    assert wrong_steps(falls, {"c0": 1}) == {"c0": pytest.approx(3.0)}


def test_leaves_that_no_two_rows_share_a_side_of_are_not_compared() -> None:
    """c0 falls on both sides of c1, though the least on one side is below the most on the other."""
    side = Split(1, 0.5, Split(0, 0.5, 2.0, 1.0), Split(0, 0.5, 9.0, 8.0))
    assert wrong_steps(forest_of(side), {"c0": -1}) == {}
    assert wrong_steps(forest_of(side), {"c1": -1}) == {"c1": pytest.approx(7.0)}


def test_a_wrong_step_between_leaves_of_different_branches() -> None:
    """Below 1/2 c0 falls with c1, above it does not: only the step at c1 > 1/2 rises, by 1.5."""
    tree = Split(0, 0.5, Split(1, 0.5, 3.0, 1.0), 2.5)
    assert wrong_steps(forest_of(tree), {"c0": -1}) == {"c0": pytest.approx(1.5)}


def test_missing_values_stand_in_no_order() -> None:
    """NaN goes to the high side or the low one: neither is a step of growth."""
    for left in (False, True):
        assert wrong_steps(forest_of(Split(0, 0.5, 2.0, -1.0, NAN, left)), {"c0": -1}) == {}


def test_one_bad_tree_in_a_bag_is_found() -> None:
    good, bad = Split(0, 0.5, 9.0, 0.0), Split(0, 0.7, 0.0, 0.25)
    trees = [good] * 70 + [bad] + [good] * 70  # though the sum falls all the same
    assert wrong_steps(forest_of(*trees), {"c0": -1}) == {"c0": pytest.approx(0.25)}


@given(st.integers(0, 10**9), st.integers(2, 12))
def test_equal_to_trying_every_step(seed: int, leaves: int) -> None:
    """One random tree on three columns; every value that matters tried against every next one."""
    rng = np.random.default_rng(seed)
    text = forest_text([random_tree(rng, 3, leaves)], 3)
    values = np.array([-2.0, -1.0, 0.0, 0.3, 0.7, 2.0, 3.0])  # between the thresholds of `random_tree`
    others = np.array([*values, np.nan])
    forest = Forest.from_text([text])
    for column in range(3):
        grid = np.stack(np.meshgrid(values, others, others, indexing="ij"), axis=-1).reshape(-1, 3)
        rows = np.insert(grid[:, 1:], column, grid[:, 0], axis=1)
        steps = np.diff(judge(text, rows).reshape(len(values), -1), axis=0)
        for sign in (-1, 1):
            worst = max(0.0, float((-sign * steps).max()))
            found = wrong_steps(forest, {f"c{column}": sign}).get(f"c{column}", 0.0)
            assert found == pytest.approx(worst, abs=1e-12)


@pytest.mark.parametrize("leaves", [6, 31])
@pytest.mark.parametrize("method", ["basic"])
def test_what_lightgbm_grows_under_constraints_is_monotone(method: str, leaves: int) -> None:
    texts = [train(s, leaves=leaves, monotone_constraints_method=method).model_to_string() for s in range(3)]
    forest = Forest.from_text(texts)
    assert wrong_steps(forest, FALLING) == {}
    assert wrong_steps(forest, dict.fromkeys(FALLING, 1)).keys() == FALLING.keys()


def test_what_lightgbm_grows_by_its_advanced_method_is_caught() -> None:
    """Should LightGBM mend it (issues 5358, 6155), this fails, and the method can be allowed."""
    forest = Forest.from_text(
        [train(s, monotone_constraints_method="advanced").model_to_string() for s in (5, 6)]
    )
    assert max(wrong_steps(forest, FALLING).values()) > 0.001


def test_other_columns_and_other_signs_are_refused() -> None:
    forest = forest_of(1.0)
    assert wrong_steps(forest, {"c0": -1}) == {}
    with pytest.raises(KeyError, match="c9"):
        wrong_steps(forest, {"c9": -1})
    with pytest.raises(ValueError, match="-1 or 1"):
        wrong_steps(forest, {"c0": 0})
