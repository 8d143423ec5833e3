"""Games of few players and products with switches, against all orders and hybrids; signs and rows alone."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from enumeration import enumerate_shapley
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.price.evaluator.shapley import corner_game, gauss_legendre, switched_product

Floats = NDArray[np.float64]


def enumerated(s: Floats, r: Floats) -> Floats:
    """(k + 1,) by definition: players in bits 0 … k − 1 of a coalition, the switch in the bit above."""
    k = s.shape[1]

    def value(coalition: int) -> float:
        q = coalition >> k
        return math.prod([(s if coalition >> i & 1 else r)[q, i] for i in range(k)])

    return enumerate_shapley(value, k + 1)


def test_corner_games_equal_the_mean_over_all_orders() -> None:
    """By the other definition: every order of the players in turn."""
    rng = np.random.default_rng(0)
    for k in range(1, 5):
        values = rng.normal(size=(3, 1 << k))
        expected = np.zeros((3, k))
        for order in itertools.permutations(range(k)):
            before = 0
            for player in order:
                expected[:, player] += values[:, before | 1 << player] - values[:, before]
                before |= 1 << player
        assert corner_game(values) == pytest.approx(expected / math.factorial(k), abs=1e-12)


def test_corner_games_of_five_players_are_refused() -> None:
    with pytest.raises(ValueError, match="at most 4"):
        corner_game(np.zeros((1, 32)))


@pytest.mark.parametrize("k", [*range(8), 11, 12])
def test_products_equal_the_enumeration_of_all_hybrids(k: int) -> None:
    rng = np.random.default_rng(k)
    s, r = rng.uniform(-1, 2, (2, 4, 2, k))
    s[0, :, :1] = 0.0  # a product with a part of zero
    r[1] = s[1]  # nothing but the switch differs
    s[2, 0], r[2, 0] = s[2, 1], r[2, 1]  # the switch moves nothing
    players, switch = switched_product(s, r)
    for row in range(4):
        expected = enumerated(s[row], r[row])
        assert [*players[row], switch[row]] == pytest.approx(expected, abs=1e-12)


def test_a_saturating_loss_whose_scale_another_player_moves_by_hand() -> None:
    """Cap C = 1, one loss of ln 2 at scale 1 and of 2 ln 2 at scale 2; the reference: no loss, scale 1.

    Kept of the value: 1 alone, 1/2 with the loss, 1 with the scale, 1/4 with both. So the loss has
    ((1/2 − 1) + (1/4 − 1)) / 2 = −5/8 and the scale ((1 − 1) + (1/4 − 1/2)) / 2 = −1/8.
    """
    s, r = np.array([[[0.5], [0.25]]]), np.array([[[1.0], [1.0]]])
    players, switch = switched_product(s, r)
    assert players.tolist() == [[pytest.approx(-5 / 8)]]
    assert switch.tolist() == [pytest.approx(-1 / 8)]


def test_a_product_of_two_by_hand() -> None:
    """3·5 against 2·1: the first has ((3 − 2)·1 + (3 − 2)·5) / 2 = 3, the second (4·2 + 4·3) / 2 = 10."""
    players, switch = switched_product(np.array([[[3.0, 5.0]] * 2]), np.array([[[2.0, 1.0]] * 2]))
    assert players[0] == pytest.approx([3, 10])
    assert switch == pytest.approx([0.0])


@given(st.integers(1, 12), st.integers(0, 10**6))
def test_no_effect_has_a_sign_that_no_step_has(k: int, seed: int) -> None:
    """Losses and their scales only grow from reference to subject, in a product that saturates."""
    rng = np.random.default_rng(seed)
    scale = 1 + np.array([0.0, rng.random()])
    loss = rng.exponential(1, (40, 1, k)) * (rng.random((40, 1, k)) < 0.6)
    less = loss * rng.random(loss.shape)
    s, r = np.exp(-scale[:, None] * loss), np.exp(-scale[:, None] * less)
    players, switch = switched_product(s, r)
    assert (players <= 0).all()
    assert (switch <= 0).all()
    assert (players[np.broadcast_to(loss == 0, s.shape)[:, 0]] == 0).all()


@pytest.mark.parametrize("k", [1, 2, 11, 17])
def test_products_are_additive_and_each_row_as_if_it_were_alone(k: int) -> None:
    rng = np.random.default_rng(3)
    s, r = rng.uniform(0, 1, (2, 700, 2, k))
    players, switch = switched_product(s, r)
    total = players.sum(axis=1) + switch
    assert total == pytest.approx(np.prod(s[:, -1], axis=1) - np.prod(r[:, 0], axis=1), abs=1e-12)
    order = rng.permutation(700)
    again = switched_product(s[order], r[order])
    assert np.array_equal(again[0], players[order])
    assert np.array_equal(again[1], switch[order])
    for row in (0, 255, 256, 699):
        alone = switched_product(s[row : row + 1], r[row : row + 1])
        assert np.array_equal(alone[0][0], players[row])
        assert np.array_equal(alone[1][0], switch[row])


def test_gauss_legendre_is_exact_for_its_degree_and_not_beyond() -> None:
    for size in range(1, 12):
        nodes, weights = gauss_legendre(size)
        for degree in range(2 * size):
            assert weights @ nodes**degree == pytest.approx(1 / (degree + 1), rel=1e-13)
        assert abs(weights @ nodes ** (2 * size) - 1 / (2 * size + 1)) > 1e-15


@pytest.mark.parametrize("shape", [(2, 3, 4), (2, 4), (2, 1, 4)])
def test_another_number_of_states_than_two_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"\(n, 2, k\)"):
        switched_product(np.ones(shape), np.ones(shape))
