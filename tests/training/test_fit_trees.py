"""The trees' weight, which says how far their answer is believed, and the data that they are fitted on."""

from __future__ import annotations

import numpy as np
import pytest
from forests import strengths_of
from numpy.typing import NDArray

from models.price.core.core import LOSS, PART, Input
from training.fit.design.specification import Growth
from training.fit.solve.crossfit import folds_of
from training.fit.solve.leftout import LeftOut
from training.fit.trees import Grown, grow, no_trees, weight_of

Floats = NDArray[np.float64]
INPUTS = (Input("one", PART), Input("other", PART), Input("wear", LOSS, sign=-1))


def made(slope: float, noise: float, n: int = 500, seed: int = 0) -> tuple[Floats, Floats, Floats]:
    """Residuals that follow what trees say by a slope, what they say, and the weights they are judged by."""
    rng = np.random.default_rng(seed)
    says = rng.normal(0, 0.1, n)
    return slope * says + rng.normal(0, noise, n), says, rng.uniform(0.5, 2, n)


def test_the_weight_by_hand() -> None:
    ones = np.ones(2)
    # The slope is a half without any error; of 400 sales half of it is believed, of 800 four fifths.
    assert weight_of(0.5 * ones, ones, ones, 400) == pytest.approx(0.25)
    assert weight_of(0.5 * ones, ones, ones, 800) == pytest.approx(0.4)
    # Residuals of 1 and 0: slope 1/2, its variance (1/4 + 1/4) / 2² = 1/8. Of a half, 1/4 in 1/4 + 4 · 1/8
    # is left: 1/6, and of that a half.
    assert weight_of(np.array([1.0, 0.0]), ones, ones, 400) == pytest.approx(1 / 12)
    # Half the weight of a row counts as the row at half its size, in the slope and in its standard error.
    assert weight_of(np.array([1.0, 0.0]), ones, np.array([1.0, 0.0]), 400) == pytest.approx(0.5)


@pytest.mark.parametrize(("slope", "noise"), [(0.8, 0.01), (0.8, 0.3), (0.0, 0.3), (-0.5, 0.1), (3.0, 0.1)])
def test_the_weight_has_no_cliff_in_the_number_of_sales_and_falls_to_nothing(
    slope: float, noise: float
) -> None:
    arrays = made(slope, noise)
    weights = np.array([weight_of(*arrays, n) for n in range(1, 4001)])
    # n² / (n² + 400²) times at most 3 rises by at most .0049 a sale, the floor by .0002.
    assert np.abs(np.diff(weights)).max() < 0.005
    assert (np.diff(weights) >= 0).all()
    assert weights[0] < 1e-4 and weights[19] < 0.01
    assert ((weights >= 0) & (weights <= 1)).all()


def test_the_weight_has_no_cliff_in_what_the_residuals_say() -> None:
    residual, says, judged = made(0.0, 0.1)
    weights = [
        weight_of(residual + slope * says, says, judged, 2000) for slope in np.linspace(-1.5, 1.5, 601)
    ]
    assert np.abs(np.diff(weights)).max() < 0.02
    assert weights[0] == pytest.approx(0.1) and weights[-1] == 1.0


@pytest.mark.parametrize("sales", [1500, 1501, 20_000])
def test_from_1500_sales_on_the_weight_never_falls_below_its_floor(sales: int) -> None:
    for slope in (-1.0, 0.0, 0.02):
        assert weight_of(*made(slope, 0.3), sales) >= 0.1
    assert weight_of(*made(-1.0, 0.3), sales) == pytest.approx(0.1)
    assert weight_of(*made(-1.0, 0.3), 750) == pytest.approx(0.1 / 4)


def test_the_weight_is_the_slope_where_the_evidence_is_plain_and_never_more_than_one() -> None:
    assert weight_of(*made(0.7, 1e-6), 10**6) == pytest.approx(0.7, abs=1e-3)
    assert weight_of(*made(1.6, 1e-6), 10**6) == 1.0
    surer, doubtful = (weight_of(*made(0.7, noise), 10**6) for noise in (0.1, 1.0))
    assert 0.1 <= doubtful < surer < 0.75


def test_trees_that_say_nothing_weigh_nothing() -> None:
    assert weight_of(np.ones(5), np.zeros(5), np.ones(5), 5000) == 0.0
    assert weight_of(np.ones(5), np.ones(5), np.zeros(5), 5000) == 0.0


def grown(effect: float, n: int = 900, seed: int = 0, rises: bool = False, sign: int = -1) -> Grown:
    """Trees on a residual that two inputs have together, and one that rises with a loss where asked."""
    rng = np.random.default_rng(seed)
    x = np.stack([*rng.normal(size=(2, n)), rng.uniform(0, 1, n)], axis=1)
    y = rng.normal(0, 0.1, n) + effect * (x[:, 0] * x[:, 1] > 0) + (0.3 * x[:, 2] if rises else 0.0)
    folds = folds_of([str(k) for k in range(n)], seed)
    inputs = (*INPUTS[:2], Input("wear", LOSS, sign=sign))
    # A shift of a tenth in every row: it is no part of what trees are to learn.
    left = LeftOut(y - y.mean() + 0.1, np.full(n, 8.0), x[:, 2], np.full(n, 0.1), np.zeros(n))
    return grow(x, left, np.ones(n), np.ones(n, bool), folds, inputs, Growth(), seed)


def test_what_two_inputs_do_together_is_believed_and_chance_is_not() -> None:
    real, chance = grown(0.4), grown(0.0, sign=0)
    assert real.trees is not None and chance.trees is not None
    # Of 900 sales n² / (n² + 400²) = .835 of the slope is believed; the floor of 900 is .036.
    assert 0.7 < real.trees.weight < 0.95 and real.gain > 5 * real.gain_error > 0
    assert chance.trees.weight < 0.1
    strengths = strengths_of(real.trees.tables, np.random.default_rng(1).normal(size=(500, 3)))
    assert max(strengths, key=lambda pair: strengths[pair]) == ("Column_0", "Column_1")
    assert real.rounds > 50 and len(real.trees.texts) == 16


def test_trees_never_rise_with_a_loss_even_where_the_evidence_does() -> None:
    found = grown(0.1, rises=True)
    assert found.trees is not None
    assert found.trees.tables.wrong_steps([0, 0, -1]) == {}
    assert found.trees.tables.wrong_steps([0, 0, 1]).keys() <= {"Column_2"}


def test_a_share_of_the_losses_is_handed_to_trees_that_have_a_sign_and_none_to_others() -> None:
    with_sign, without = grown(0.4), grown(0.4, sign=0)
    assert with_sign.trees is not None and without.trees is not None
    assert (with_sign.trees.handed, without.trees.handed) == (0.15, 0.0)
    assert with_sign.trees.kept_losses == pytest.approx(1 - 0.15 * with_sign.trees.weight)
    assert without.trees.kept_losses == 1.0


def test_what_trees_add_to_left_out_values_is_what_they_would_be_served_as() -> None:
    """The left-out answers cannot be those of the served trees, but they must tell the same story."""
    found, rng = grown(0.4), np.random.default_rng(0)
    assert found.trees is not None
    x = np.stack([*rng.normal(size=(2, 900)), rng.uniform(0, 1, 900)], axis=1)
    served = found.trees.weight * (found.trees.tables.predict(x) + 0.15 * x[:, 2])
    assert np.corrcoef(served, found.bent)[0, 1] > 0.95
    assert found.bent.std() == pytest.approx(served.std(), rel=0.1)


def test_few_rows_and_no_inputs_grow_no_trees() -> None:
    few = grown(0.4, n=119)
    assert few.trees is None and not few.bent.any() and (few.gain, few.rounds) == (0.0, 0)
    enough = grown(0.4, n=120).trees
    # Of 120 sales n² / (n² + 400²) = .083 of the slope is believed.
    assert enough is not None and enough.weight < 0.15
    assert no_trees(3).bent.tolist() == [0, 0, 0]
