"""The proof that trees never step against a sign: by hand, by trying all steps, on what LightGBM grows."""

from __future__ import annotations

import numpy as np
import pytest
from forests import SIGNS, TINY, WORSE, Split, effects_of, forest_text, judge, market_rows, random_tree, train
from hypothesis import given
from hypothesis import strategies as st

from models.price.core.pairs import PairTables


def tables_of(*trees: Split | float, columns: int = 2) -> PairTables:
    return PairTables.from_text([forest_text(trees, columns)])


def test_one_split_by_hand() -> None:
    falls = tables_of(Split(0, 0.5, 2.0, -1.0))
    assert falls.wrong_steps([-1, -1]) == {} and falls.wrong_steps([0, 0]) == {}
    assert falls.wrong_steps([1, 0]) == {"c0": 3.0}


def test_a_planted_wrong_step_is_found_with_its_size() -> None:
    """Below 1/2 it falls from 3 to 1 with the second, above it is 2.5: only from 1 a step rises, by 1.5."""
    tree = Split(0, 0.5, Split(1, 0.5, 3.0, 1.0), 2.5)
    assert tables_of(tree).wrong_steps([-1, 0]) == {"c0": 1.5}
    assert tables_of(tree).wrong_steps([0, -1]) == {}


def test_leaves_that_no_step_leads_between_are_not_compared() -> None:
    """The first input falls on both sides of the second, though 2 on one side is below 8 on the other."""
    side = Split(1, 0.5, Split(0, 0.5, 2.0, 1.0), Split(0, 0.5, 9.0, 8.0))
    assert tables_of(side).wrong_steps([-1, 1]) == {}
    assert tables_of(side).wrong_steps([-1, -1]) == {"c1": 7.0}


def test_steps_of_several_tables_add_up() -> None:
    """The sum rises by 1 in one table, by 2 in another if the third input is high, and falls by 1/2 alone."""
    one = Split(1, 0.5, Split(0, 0.5, 0.0, 1.0), Split(0, 0.5, 1.0, 1.0))
    other = Split(2, 0.5, Split(0, 0.5, 5.0, 0.0), Split(0, 0.5, 0.0, 2.0))
    alone = Split(0, 0.5, 0.5, 0.0)
    assert tables_of(one, other, alone, columns=3).wrong_steps([-1, 0, 0]) == {"c0": 2.5}
    # A tree that rises is no fault where the sum falls all the same.
    assert tables_of(Split(0, 0.5, 9.0, 0.0), Split(0, 0.5, 0.0, 0.25)).wrong_steps([-1, 0]) == {}


@given(st.integers(0, 10**9), st.integers(2, 12), st.integers(1, 4))
def test_equal_to_trying_every_step(seed: int, leaves: int, trees: int) -> None:
    """Random trees on three columns; every value that matters tried against every next one, by LightGBM."""
    rng = np.random.default_rng(seed)
    text = forest_text([random_tree(rng, 3, leaves) for _ in range(trees)], 3)
    values = np.array([-2.0, -1.0, -2 * TINY, 0.0, 2 * TINY, 0.3, 0.7, 2.0, 3.0])
    found = PairTables.from_text([text])
    for column in range(3):
        grid = np.stack(np.meshgrid(values, values, values, indexing="ij"), axis=-1).reshape(-1, 3)
        rows = np.insert(grid[:, 1:], column, grid[:, 0], axis=1)
        steps = np.diff(judge(text, rows).reshape(len(values), -1), axis=0)
        for sign in (-1, 1):
            worst = max(0.0, float((-sign * steps).max()))
            signs = [sign if at == column else 0 for at in range(3)]
            # Rounding may make a step of a millionth of a billionth of none.
            assert found.wrong_steps(signs).get(f"c{column}", 0.0) == pytest.approx(worst, abs=1e-12)


@pytest.mark.parametrize("leaves", [6, 31])
def test_what_lightgbm_grows_under_constraints_passes(leaves: int) -> None:
    tables = PairTables.from_text([train(seed, leaves=leaves).model_to_string() for seed in range(3)])
    assert tables.wrong_steps(SIGNS) == {}
    against = tables.wrong_steps([-sign for sign in SIGNS])
    assert against.keys() == {f"Column_{column}" for column in WORSE}


def test_what_lightgbm_grows_without_constraints_does_not_pass() -> None:
    tables = PairTables.from_text([train(0, monotone_constraints=[0] * 8).model_to_string()])
    assert max(tables.wrong_steps(SIGNS).values()) > 0.001


def test_where_no_step_is_wrong_no_effect_is() -> None:
    """Not even by rounding: worse never adds, better never costs, the same is nothing."""
    tables = PairTables.from_text([train(seed).model_to_string() for seed in (5, 6)])
    rng = np.random.default_rng(5)
    x, r = market_rows(rng, 4000), market_rows(rng, 4000)
    x[:1000] = np.where(rng.random((1000, 8)) < 0.7, r[:1000], x[:1000])  # few differ
    effects = effects_of(tables, x, r)[:, WORSE]
    worse, better = x[:, WORSE] > r[:, WORSE], x[:, WORSE] < r[:, WORSE]
    assert worse.sum() > 4000 and better.sum() > 4000
    assert effects[worse].max() <= 0 and effects[better].min() >= 0
    assert not effects[~worse & ~better].any()
    assert effects[worse].min() < -0.05 and effects[better].max() > 0.05


@pytest.mark.parametrize("signs", [[-1], [-1, 0, 0], [2, 0], [-1, 0.5]])
def test_other_signs_are_refused(signs: list[float]) -> None:
    with pytest.raises(ValueError, match="sign"):
        tables_of(1.0).wrong_steps(signs)  # type: ignore[arg-type]
