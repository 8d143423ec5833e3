"""Trees as tables over pairs, against LightGBM's own predictions and against all orders of the inputs."""

from __future__ import annotations

import itertools
import math

import lightgbm
import numpy as np
import pytest
from forests import (
    NAN,
    NONE,
    TINY,
    WIDTH,
    ZERO,
    Split,
    effects_of,
    forest_text,
    judge,
    market_rows,
    random_rows,
    random_tree,
    strengths_of,
    train,
)
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.errors import ForestError
from models.price.core.pairs import PairTables

Floats = NDArray[np.float64]
MANY = 1500


@pytest.fixture(scope="module")
def bag() -> list[lightgbm.Booster]:
    return [train(seed, rounds=40, bagging_fraction=0.7, bagging_freq=1) for seed in range(3)]


@pytest.fixture(scope="module")
def tables(bag: list[lightgbm.Booster]) -> PairTables:
    return PairTables.from_text([booster.model_to_string() for booster in bag])


@pytest.fixture(scope="module")
def rows() -> Floats:
    made = market_rows(np.random.default_rng(9), MANY)
    made[::7] += 0.5  # between the grades, too
    made[5], made[6] = np.inf, -np.inf
    return made


def predicted(bag: list[lightgbm.Booster], rows: Floats) -> Floats:
    """(n,) the mean of what LightGBM itself predicts."""
    return np.asarray(np.mean([booster.predict(rows, num_threads=1) for booster in bag], axis=0))


def by_all_orders(worth: Floats, p: int) -> Floats:
    """(p,) the mean over all orders of what each input adds; `worth`: (2**p,) by the set of inputs moved."""
    effects = np.zeros(p)
    for order in itertools.permutations(range(p)):
        moved = 0
        for one in order:
            effects[one] += worth[moved | 1 << one] - worth[moved]
            moved |= 1 << one
    return effects / math.factorial(p)


def hybrids(subject: Floats, reference: Floats) -> Floats:
    """(2**p, p) the rows that have the subject's value where a bit is set, else the reference's."""
    p = len(subject)
    chosen = (np.arange(1 << p)[:, None] >> np.arange(p) & 1).astype(bool)
    return np.where(chosen, subject, reference)


def test_the_mean_of_a_bag_is_what_lightgbm_predicts(
    bag: list[lightgbm.Booster], tables: PairTables, rows: Floats
) -> None:
    expected = predicted(bag, rows)
    assert np.ptp(expected) > 1 and len(tables.pairs) > 10
    assert np.abs(tables.predict(rows) - expected).max() <= 1e-12


def test_effects_are_the_mean_over_all_orders_of_what_lightgbm_predicts(
    bag: list[lightgbm.Booster], tables: PairTables
) -> None:
    """All 40,320 orders of the eight inputs, on pairs of rows whose hybrids LightGBM itself predicts."""
    rng = np.random.default_rng(0)
    x, r = market_rows(rng, 4), market_rows(rng, 4)
    x[1, :5] = r[1, :5]
    found = effects_of(tables, x, r)
    for row in range(4):
        expected = by_all_orders(predicted(bag, hybrids(x[row], r[row])), WIDTH)
        assert np.abs(expected).max() > 0.01
        assert np.abs(found[row] - expected).max() <= 1e-12


@given(st.integers(0, 10**9), st.integers(1, 40), st.integers(1, 5), st.integers(1, 6))
def test_any_tree_of_pairs_on_any_value(seed: int, leaves: int, columns: int, trees: int) -> None:
    """Thresholds at zero, values on them and at infinity, the same column many times on a path."""
    rng = np.random.default_rng(seed)
    text = forest_text([random_tree(rng, columns, leaves) for _ in range(trees)], columns)
    found = PairTables.from_text([text])
    x, r = random_rows(rng, 60, columns), random_rows(rng, 60, columns)
    assert np.abs(found.predict(x) - judge(text, x)).max() <= 1e-12
    effects = effects_of(found, x[:2], r[:2])
    for row in range(2):
        expected = by_all_orders(judge(text, hybrids(x[row], r[row])), columns)
        assert np.abs(effects[row] - expected).max() <= 1e-12


@pytest.mark.parametrize("threshold", [-1.5, -TINY, 0.0, TINY, 0.5, 1e300])
def test_one_split_sends_every_value_where_lightgbm_sends_it(threshold: float) -> None:
    text = forest_text([Split(0, threshold, -1.0, 1.0)], 1)
    near = [threshold, np.nextafter(threshold, np.inf), np.nextafter(threshold, -np.inf)]
    values = np.array([*near, 0, -0.0, 2 * TINY, -2 * TINY, 1, -2, np.inf, -np.inf])
    column = values[(values == 0) | (np.abs(values) > TINY)][:, None]  # see `forests.ODD_VALUES`
    assert np.array_equal(PairTables.from_text([text]).predict(column), judge(text, column))


def test_effects_of_two_inputs_by_hand() -> None:
    """80 where both exceed 1/2, and 10 more for the second: 40 each, and the 10 to the second."""
    both = Split(0, 0.5, 0.0, Split(1, 0.5, 0.0, 80.0))
    found = PairTables.from_text([forest_text([both, Split(1, 0.5, 0.0, 10.0)], 3)])
    x, r = np.array([[1.0, 1.0, 9.0]]), np.array([[0.0, 0.0, 2.0]])
    assert effects_of(found, x, r).tolist() == [[40.0, 50.0, 0.0]]
    assert effects_of(found, np.array([[1.0, 0.0, 9.0]]), r).tolist() == [[0.0, 0.0, 0.0]]


def test_effects_sum_to_the_difference_and_turn_their_sign_on_the_way_back(
    tables: PairTables, rows: Floats
) -> None:
    other = market_rows(np.random.default_rng(1), MANY)
    there, back = effects_of(tables, rows, other), effects_of(tables, other, rows)
    assert np.abs(there.sum(axis=1) - (tables.predict(rows) - tables.predict(other))).max() <= 1e-12
    assert np.array_equal(there, -back) and np.abs(there).max() > 0.1


def test_a_batch_equals_its_rows_alone_to_the_bit(tables: PairTables, rows: Floats) -> None:
    other = market_rows(np.random.default_rng(2), MANY)
    together, effects = tables.predict(rows), effects_of(tables, rows, other)
    assert np.array_equal(together, [tables.predict(row[None])[0] for row in rows])
    for n in (1, 2, 7, 8, 9, 255, 256, 257, 1025):
        assert np.array_equal(tables.predict(rows[-n:]), together[-n:])
        assert np.array_equal(effects_of(tables, rows[-n:], other[-n:]), effects[-n:])
    order = np.random.default_rng(0).permutation(MANY)
    assert np.array_equal(tables.predict(rows[order]), together[order])
    assert np.array_equal(effects_of(tables, rows[order], other[order]), effects[order])


def test_a_value_at_a_threshold_goes_where_lightgbm_sends_it_alone_and_in_a_batch(
    bag: list[lightgbm.Booster], tables: PairTables, rows: Floats
) -> None:
    at = [(column, edge) for column, edges in enumerate(tables.edges) for edge in edges[:5].tolist()]
    on_edges = rows[100 : 100 + len(at)].copy()
    for row, (column, edge) in zip(on_edges, at, strict=True):
        row[column] = edge
    wanted = predicted(bag, on_edges)
    assert tables.predict(on_edges) == pytest.approx(wanted, abs=1e-12)
    alone = [tables.predict(on_edges[n : n + 1])[0] for n in range(len(at))]
    assert alone == pytest.approx(wanted, abs=1e-12)


def test_how_the_rows_lie_in_memory_does_not_matter(tables: PairTables, rows: Floats) -> None:
    expected, before = tables.predict(rows), rows.copy()
    assert np.array_equal(tables.predict(np.asfortranarray(rows)), expected)
    wide = np.zeros((MANY, 2 * WIDTH))
    wide[:, ::2] = rows
    assert np.array_equal(tables.predict(wide[:, ::2]), expected)
    assert np.array_equal(rows, before)


def test_trees_without_a_split_are_their_constant() -> None:
    found = PairTables.from_text([forest_text([0.25, 0.5], 3)])
    assert found.predict(np.full((4, 3), 7.0)).tolist() == [0.75] * 4
    assert not effects_of(found, np.ones((2, 3)), np.zeros((2, 3))).any()


def test_no_rows_give_no_values(tables: PairTables) -> None:
    none = np.empty((0, WIDTH))
    assert tables.predict(none).shape == (0,) and effects_of(tables, none, none).shape == (0, WIDTH)


@pytest.mark.parametrize("shape", [(WIDTH,), (3, WIDTH - 1), (3, WIDTH + 1), (1, 3, WIDTH)])
def test_rows_of_another_width_are_refused(tables: PairTables, shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="8 inputs"):
        tables.predict(np.zeros(shape))
    with pytest.raises(ValueError, match="8 inputs"):
        effects_of(tables, np.zeros((3, WIDTH)), np.zeros(shape))


def test_a_third_input_on_a_path_is_refused_and_three_in_a_tree_are_not() -> None:
    third = Split(0, 0.5, 0.0, Split(1, 0.5, 0.0, Split(2, 0.5, 1.0, 2.0)))
    with pytest.raises(ForestError, match=r"3 inputs \(c0, c1, c2\).*interaction_constraints"):
        PairTables.from_text([forest_text([third], 3)])
    fork = Split(0, 0.5, Split(1, 0.5, 0.0, 1.0), Split(2, 0.5, 2.0, 4.0))
    text = forest_text([fork], 3)
    corners = np.array(list(itertools.product((0.0, 1.0), repeat=3)))
    assert np.array_equal(PairTables.from_text([text]).predict(corners), judge(text, corners))
    free = train(1, interaction_constraints=[list(range(WIDTH))]).model_to_string()
    with pytest.raises(ForestError, match="interaction_constraints"):
        PairTables.from_text([free])


@pytest.mark.parametrize("missing", [ZERO, NAN])
@pytest.mark.parametrize("left", [False, True])
def test_a_side_for_missing_values_is_refused(missing: int, left: bool) -> None:
    assert PairTables.from_text([forest_text([Split(0, 0.5, 1.0, 2.0, NONE, left)], 1)])
    with pytest.raises(ForestError, match=r"missing values.*use_missing=false"):
        PairTables.from_text([forest_text([Split(0, 0.5, 1.0, 2.0, missing, left)], 1)])


def test_what_lightgbm_grows_on_missing_values_is_refused() -> None:
    rng = np.random.default_rng(4)
    x = rng.normal(size=(500, 2))
    x[::3, 0] = np.nan
    settings = {"num_leaves": 4, "verbosity": -1, "num_threads": 1}
    booster = lightgbm.train(settings, lightgbm.Dataset(x, np.isnan(x[:, 0]) + x[:, 1]), 5)
    with pytest.raises(ForestError, match="missing values"):
        PairTables.from_text([booster.model_to_string()])


def test_how_much_two_inputs_do_together_by_hand() -> None:
    """On four equal corners "8 if both" leaves ±2 beside its two main effects; a sum leaves nothing."""
    corners = np.tile([[0.0, 0.0], [0.0, 1.0], [1.0, 0.0], [1.0, 1.0]], (5, 1))
    both = Split(0, 0.5, 0.0, Split(1, 0.5, 0.0, 8.0))
    found = PairTables.from_text([forest_text([both, Split(0, 0.5, 0.0, 5.0)], 2)])
    assert strengths_of(found, corners) == {("c0", "c1"): pytest.approx(2.0)}
    added = Split(0, 0.5, Split(1, 0.5, 0.0, 3.0), Split(1, 0.5, 1.0, 4.0))
    sum_alone = PairTables.from_text([forest_text([added], 2)])
    assert strengths_of(sum_alone, corners)["c0", "c1"] < 1e-12
