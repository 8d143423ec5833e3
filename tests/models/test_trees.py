"""Forests against LightGBM's own predictions, row by row, on every kind of value and split."""

from __future__ import annotations

import lightgbm
import numpy as np
import pytest
from forests import (
    NAN,
    NONE,
    TINY,
    ZERO,
    Split,
    forest_text,
    judge,
    market_rows,
    random_rows,
    random_tree,
    train,
)
from hypothesis import given
from hypothesis import strategies as st
from models.price.trees import Forest

# Enough rows to pass every size at which the evaluation changes its way.
MANY = 1500


@pytest.fixture(scope="module")
def bag() -> list[lightgbm.Booster]:
    return [train(seed, rounds=40, bagging_fraction=0.7, bagging_freq=1) for seed in range(3)]


@pytest.fixture(scope="module")
def forest(bag: list[lightgbm.Booster]) -> Forest:
    return Forest.from_text([booster.model_to_string() for booster in bag])


@pytest.fixture(scope="module")
def rows() -> np.ndarray:
    rng = np.random.default_rng(9)
    made = market_rows(rng, MANY)
    made[::7] += 0.5  # between the grades, too
    made[5] = np.nan
    made[6] = np.inf
    made[7] = -np.inf
    return made


def test_the_mean_of_a_bag(bag: list[lightgbm.Booster], forest: Forest, rows: np.ndarray) -> None:
    expected = np.mean([booster.predict(rows, num_threads=1) for booster in bag], axis=0)
    assert np.abs(forest.predict(rows) - expected).max() <= 1e-12


def test_every_row_of_a_batch_equals_that_row_alone_to_the_bit(forest: Forest, rows: np.ndarray) -> None:
    together = forest.predict(rows)
    alone = np.array([forest.predict(row[None])[0] for row in rows])
    assert np.array_equal(together, alone)
    for n in (1, 2, 7, 8, 9, 63, 64, 65, 255, 256, 257, 1023, 1025):
        assert np.array_equal(forest.predict(rows[-n:]), together[-n:])
    order = np.random.default_rng(0).permutation(MANY)
    assert np.array_equal(forest.predict(rows[order]), together[order])


def test_how_the_rows_lie_in_memory_does_not_matter(forest: Forest, rows: np.ndarray) -> None:
    expected = forest.predict(rows)
    assert np.array_equal(forest.predict(np.asfortranarray(rows)), expected)
    assert np.array_equal(forest.predict(rows[::-1]), expected[::-1])
    wide = np.zeros((MANY, 28))
    wide[:, ::2] = rows
    assert np.array_equal(forest.predict(wide[:, ::2]), expected)
    before = rows.copy()
    forest.predict(rows)
    assert np.array_equal(rows, before, equal_nan=True)


@given(st.integers(0, 10**9), st.integers(1, 40), st.integers(1, 5), st.integers(1, 6))
def test_any_tree_on_any_value_as_lightgbm_has_it(seed: int, leaves: int, columns: int, trees: int) -> None:
    """All kinds of missing value, defaults and thresholds at zero, the same column many times on a path."""
    rng = np.random.default_rng(seed)
    text = forest_text([random_tree(rng, columns, leaves) for _ in range(trees)], columns)
    rows = random_rows(rng, 60, columns)
    assert np.abs(Forest.from_text([text]).predict(rows) - judge(text, rows)).max() <= 1e-12


@pytest.mark.parametrize("missing", [NONE, ZERO, NAN])
@pytest.mark.parametrize("default_left", [False, True])
@pytest.mark.parametrize("threshold", [-1.5, -TINY, 0.0, TINY, 0.5, 1e300])
def test_one_split_on_every_kind_of_value(missing: int, default_left: bool, threshold: float) -> None:
    text = forest_text([Split(0, threshold, -1.0, 1.0, missing, default_left)], 1)
    near = [threshold, np.nextafter(threshold, np.inf), np.nextafter(threshold, -np.inf)]
    values = [*near, 0, -0.0, TINY, -TINY, 2 * TINY, -2 * TINY, 5e-324, 1, -2, np.inf, -np.inf, np.nan]
    column = np.array(values)[:, None]
    assert np.array_equal(Forest.from_text([text]).predict(column), judge(text, column))


def test_what_missing_does_by_hand() -> None:
    """LightGBM: "NaN" sends NaN the default way; "zero" sends zero and NaN so; "none" takes NaN for 0."""
    values = np.array([[np.nan], [0.0], [1.0]])
    for missing, left, expected in [
        (NAN, True, [-1, 1, 1]),
        (NAN, False, [1, 1, 1]),
        (ZERO, True, [-1, -1, 1]),
        (ZERO, False, [1, 1, 1]),
        (NONE, True, [1, 1, 1]),
    ]:
        forest = Forest.from_text([forest_text([Split(0, -0.5, -1.0, 1.0, missing, left)], 1)])
        assert list(forest.predict(values)) == expected


def test_trained_on_zeros_as_missing() -> None:
    rng = np.random.default_rng(4)
    x = rng.integers(-2, 3, (800, 3)).astype(float)
    y = (x[:, 0] == 0) + 0.3 * x[:, 1]
    settings = {"zero_as_missing": True, "num_leaves": 8, "verbosity": -1, "num_threads": 1}
    booster = lightgbm.train(settings, lightgbm.Dataset(x, y), 20)
    x[::5, 0] = np.nan
    expected = booster.predict(x, num_threads=1)
    assert Forest.from_text([booster.model_to_string()]).predict(x) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("leaves", [1, 2, 8, 9, 16, 17, 31, 32, 33, 63, 64])
def test_trees_of_every_size(leaves: int) -> None:
    rng = np.random.default_rng(leaves)
    text = forest_text([random_tree(rng, 6, leaves) for _ in range(5)] + [0.5], 6)
    rows = random_rows(rng, 400, 6)
    assert np.abs(Forest.from_text([text]).predict(rows) - judge(text, rows)).max() <= 1e-12


def test_a_forest_without_a_split_is_its_constant() -> None:
    forest = Forest.from_text([forest_text([0.25, 0.5], 3)])
    assert list(forest.predict(np.full((4, 3), np.nan))) == [0.75] * 4
    assert not forest.contributions(np.ones((2, 3)), np.zeros((2, 3)), np.arange(3), 3).any()


def test_no_rows_give_no_values(forest: Forest) -> None:
    assert forest.predict(np.empty((0, 14))).shape == (0,)
    assert forest.contributions(np.empty((0, 14)), np.empty((0, 14)), np.arange(14), 14).shape == (0, 14)


@pytest.mark.parametrize("shape", [(14,), (3, 13), (3, 15), (1, 3, 14)])
def test_rows_of_another_width_are_refused(forest: Forest, shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="14"):
        forest.predict(np.zeros(shape))
