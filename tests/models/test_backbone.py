"""The backbone by hand: level, losses that saturate, scales, blanks, and the slopes of all."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import reduce
from operator import add
from typing import Any

import numpy as np
import pytest
from plain import Plain

from models.price.core.backbone import BLANK, Backbone, Block, loss_of, read_block, row_sums, scale_of
from models.price.core.basis import Levels, Linear, Ramps, Table
from models.price.core.core import Core
from models.price.core.posterior import nothing_known
from models.price.evaluator.evaluator import Evaluator
from training.fit.design.problem import layout_of, matrix
from training.fit.solve import fitted_values

# Design columns: model a, b, unknown, unseen | wear slope | wear steps 0–1, 1–2 | finish | two builds + 2
BLOCKS = (
    Block("model", (Levels("model", ("a", "b")),), group="model"),
    Block("wear slope", (Linear("wear", 0.0, 2.0),), loss_of("condition"), "slope"),
    Block("wear steps", (Ramps("wear", (0.0, 1.0, 2.0)),), loss_of("condition"), "steps"),
    Block("finish", (Linear("finish", 0.0, 1.0),), loss_of("originality"), "slope"),
    Block("condition by build", (Levels("build", ("p", "q")),), scale_of("condition"), "scale"),
)
THETA = np.array([1.0, -1.0, 0.0, 0.0, 0.4, 0.1, 0.3, 0.5, 0.0, math.log(0.5), 0.0, 0.0])
ENCODING = Plain({"model": "a", "wear": 0.0, "finish": 0.0, "build": "p"}, losses=("wear", "finish"))


def backbone(cap: float = math.inf) -> Backbone:
    return Backbone(BLOCKS, THETA, 8.0, cap)


def served(of: Backbone, **values: Any) -> float:
    """The value that the evaluator gives, which must be the one that the fit saw."""
    core = Core(of, None, nothing_known(len(of.theta)), None)
    row = ENCODING.row(**values)
    table = ENCODING.table([row], ("model", "wear", "finish", "build"))
    layout = layout_of(of.blocks, ())
    fitted = fitted_values.predict(layout, matrix(layout, table), np.append(of.theta, of.intercept), of.cap)
    (found,) = Evaluator(core, ENCODING).center([row])
    assert found == pytest.approx(float(fitted[0]), abs=1e-12)
    return float(found)


def test_saturation_takes_a_whole_loss_when_small_and_never_more_than_its_cap() -> None:
    loss = np.array([0.0, 1e-6, 2.0, 1e3])
    assert fitted_values.saturate(loss, math.inf).tolist() == loss.tolist()
    # C (1 − e^(−u/C)) with C = 2: at u = 2, 2 · (1 − 0.36787944) = 1.26424112
    assert fitted_values.saturate(loss, 2.0) == pytest.approx([0.0, 1e-6, 1.26424112, 2.0], abs=1e-8)
    assert fitted_values.saturation_slope(loss, 2.0) == pytest.approx([1.0, 1.0, 0.36787944, 0.0], abs=1e-6)
    assert fitted_values.saturation_slope(loss, math.inf).tolist() == [1, 1, 1, 1]


def test_log_value_is_level_less_scaled_losses() -> None:
    # Model a: 8 + 1. Wear 2: slope .4 · 2/2, steps .1 + .3, so .8. Finish 1: .5.
    assert served(backbone(), wear=2.0, finish=1.0) == pytest.approx(9 - 0.8 - 0.5)
    # Half of the first step: slope .4 · .5/2 = .1, step .05.
    assert served(backbone(), model="b", wear=0.5) == pytest.approx(7 - 0.15)
    # Build q is spared half of the wear, and of the wear only.
    assert served(backbone(), wear=2.0, finish=1.0, build="q") == pytest.approx(9 - 0.4 - 0.5)
    # A model never seen has no effect of its own, and an unknown wear no loss.
    assert served(backbone(), model="zz", wear=None) == pytest.approx(8.0)


def test_the_cap_is_on_all_losses_together() -> None:
    expected = 9 - 1.6 * (1 - math.exp(-(0.8 + 0.5) / 1.6))
    assert served(backbone(1.6), wear=2.0, finish=1.0) == pytest.approx(expected)


# The loss of build q is .8 times e to the coefficient of its scale.
@pytest.mark.parametrize(("coefficient", "loss"), [(-3.0, 0.039830), (-1.0, 0.294304), (1.0, 2.174625)])
def test_a_scale_is_never_negative_whatever_its_coefficient_so_that_wear_never_pays(
    coefficient: float, loss: float
) -> None:
    theta = THETA.copy()
    theta[9] = coefficient
    turned = replace(backbone(), theta=theta)
    assert served(turned, wear=2.0, build="q") == pytest.approx(9 - loss, abs=1e-6)


def test_blanks_and_losses_are_held_to_one_sign_and_can_be_taken_out() -> None:
    blocks = (*BLOCKS, Block("wear blank", (Linear("wear", 0.0, -1.0),), BLANK))
    whole = Backbone(blocks, np.append(THETA, 0.3), 8.0, math.inf)
    assert whole.without_blanks().theta.tolist() == [*THETA, 0.0]
    assert whole.without_blanks().blocks == blocks
    # Of model, slope, two steps, finish, the scale's four, the blank, and the intercept.
    signed = [False] * 4 + [True] * 4 + [False] * 4 + [True, False]
    assert layout_of(blocks, ()).nonnegative.tolist() == signed


@pytest.mark.parametrize("cap", [math.inf, 1.6])
def test_slopes_are_those_of_small_changes(cap: float) -> None:
    table: Table = {
        "model": np.array(["a", "b"], object),
        "wear": np.array([1.5, 2.0]),
        "finish": np.array([1.0, 0.0]),
        "build": np.array(["q", "p"], object),
    }
    layout = layout_of(BLOCKS, ())
    x, theta = matrix(layout, table), np.append(THETA, 8.0)
    slopes, step = fitted_values.jacobian(layout, x, theta, cap).toarray(), 1e-6
    for column in range(len(theta)):
        moved = theta.copy()
        moved[column] += step
        change = fitted_values.predict(layout, x, moved, cap) - fitted_values.predict(layout, x, theta, cap)
        assert slopes[:, column] == pytest.approx(change / step, abs=1e-5), column
    assert slopes[:, -1].tolist() == [1.0, 1.0]  # the intercept


def test_sums_do_not_depend_on_the_rows_beside() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(size=(300, 23)) * 10.0 ** rng.integers(-9, 9, (300, 23))
    whole = row_sums(values)
    assert [float(row_sums(values[n : n + 1])[0]) for n in range(300)] == whole.tolist()
    # From left to right, however the memory is laid out.
    assert [reduce(add, row) for row in values.tolist()] == whole.tolist()
    assert row_sums(np.asfortranarray(values)).tolist() == whole.tolist()
    assert row_sums(np.zeros((2, 0))).tolist() == [0.0, 0.0]


def test_a_block_comes_back_from_json() -> None:
    blocks = (*BLOCKS, Block("wear of a part", (Linear("wear", 0.0, 1.0),), part="identity", pooled=False))
    for block in blocks:
        assert read_block(json.loads(json.dumps(block.state()))) == block
    assert [block.size for block in BLOCKS] == [4, 1, 2, 1, 4]
    assert backbone().starts.tolist() == [0, 4, 5, 7, 8, 12]
    assert backbone().families == ("condition", "originality")
