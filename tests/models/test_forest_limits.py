"""Where forests and games end: what is too large, too deep, too old or no game is refused by name."""

from __future__ import annotations

import math

import numpy as np
import pytest
from forests import Split, forest_text
from models.price.trees import Forest

from models.errors import ForestError
from models.price.boosters import read_booster
from models.price.shapley import corner_game


def comb(columns: int) -> Split:
    """A tree in which one path splits on every column in turn."""
    tree: Split | float = 1.0
    for column in range(columns):
        tree = Split(column, 0.5, float(column), tree)
    assert isinstance(tree, Split)
    return tree


def test_as_many_leaves_as_a_word_has_bits_and_no_more() -> None:
    def wide(leaves: int) -> str:
        tree: Split | float = 0.0
        for i in range(1, leaves):
            tree = Split(0, float(-i), float(i), tree)
        return forest_text([tree], 1)

    # Going left at −i gives i; the outermost split is the lowest.
    assert Forest.from_text([wide(64)]).predict(np.array([[-63.0], [-10.5], [0.0]])).tolist() == [63, 10, 0]
    with pytest.raises(ForestError, match=r"64 leaves at most.*num_leaves"):
        Forest.from_text([wide(65)])


def test_twenty_columns_on_a_path_are_exact_and_forty_are_refused() -> None:
    forest = Forest.from_text([forest_text([comb(20)] * 300, 20)])
    ones, zeros = np.ones((1, 20)), np.zeros((1, 20))
    effects = forest.contributions(ones, zeros, np.arange(20), 20)
    # The outermost split is on the last column. With the d outermost columns on, and the next one off, the
    # tree gives 19 − d, and 1 with all on: a sum of unanimity games of the d outermost, −1 each and +1 for
    # all, each shared equally by its members (Shapley 1953).
    expected = [300 * (1 / 20 - math.fsum(1 / d for d in range(20 - j, 20))) for j in range(20)]
    assert effects[0] == pytest.approx(expected, abs=1e-11)
    with pytest.raises(ForestError, match=r"40 features on one path.*max_depth"):
        Forest.from_text([forest_text([comb(40)], 40)])


def test_states_that_no_number_of_switches_has_are_refused() -> None:
    forest = Forest.from_text([forest_text([comb(2)], 2)])
    for states in (0, 3, 32):
        x = np.zeros((1, states, 2))
        with pytest.raises(ValueError, match=f"{states} states; allowed"):
            forest.switched_contributions(x, x, np.arange(2), 2)


def test_corner_games_of_five_players_are_refused() -> None:
    with pytest.raises(ValueError, match="at most 4"):
        corner_game(np.zeros((1, 32)))


def test_a_version_that_nobody_tried_is_refused() -> None:
    text = forest_text([comb(2)], 2)
    with pytest.raises(ForestError, match=r"version 'v2'.*v3 or v4"):
        read_booster(text.replace("version=v4", "version=v2"))


def test_splits_that_lead_back_to_themselves_are_refused() -> None:
    """Every split and leaf is somebody's child once, and yet no walk from the root reaches most of them."""
    text = forest_text([comb(3)], 3)
    start, end = text.index("left_child="), text.index("leaf_value=")
    with pytest.raises(ForestError, match="before its parent"):
        read_booster(text[:start] + "left_child=-1 2 1\nright_child=-2 -3 -4\n" + text[end:])
