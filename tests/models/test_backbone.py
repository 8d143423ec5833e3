"""The backbone by hand: level, losses that saturate, scales with a floor, and the slopes of all of them."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import reduce
from operator import add

import numpy as np
import pytest

from models.price.backbone import Backbone, Block, read_block, row_sums, saturate, saturation_slope
from models.price.basis import Levels, Linear, Ramps, Table

# Design columns: model a, b, unknown, unseen | wear slope | wear steps 0–1, 1–2 | finish | two builds + 2
BLOCKS = (
    Block("model", (Levels("model", ("a", "b")),), group="model"),
    Block("wear slope", (Linear("wear", 0.0, 2.0),), "loss:condition", "slope"),
    Block("wear steps", (Ramps("wear", (0.0, 1.0, 2.0)),), "loss:condition", "steps"),
    Block("finish", (Linear("finish", 0.0, 1.0),), "loss:originality", "slope"),
    Block("condition by build", (Levels("build", ("p", "q")),), "scale:condition", "scale"),
)
THETA = np.array([1.0, -1.0, 0.0, 0.0, 0.4, 0.1, 0.3, 0.5, 0.0, -0.5, 0.0, 0.0])


def table(model: str, wear: float, finish: float, build: str) -> Table:
    words = {"model": np.array([model], object), "build": np.array([build], object)}
    return {**words, "wear": np.array([wear]), "finish": np.array([finish])}


def backbone(cap: float = math.inf) -> Backbone:
    return Backbone(BLOCKS, THETA, 8.0, cap)


def test_saturation_takes_a_whole_loss_when_small_and_never_more_than_its_cap() -> None:
    loss = np.array([0.0, 1e-6, 2.0, 1e3])
    assert saturate(loss, math.inf).tolist() == loss.tolist()
    # C (1 − e^(−u/C)) with C = 2: at u = 2, 2 · (1 − 0.36787944) = 1.26424112
    assert saturate(loss, 2.0) == pytest.approx([0.0, 1e-6, 1.26424112, 2.0], abs=1e-8)
    assert saturation_slope(loss, 2.0) == pytest.approx([1.0, 1.0, 0.36787944, 0.0], abs=1e-6)
    assert saturation_slope(loss, math.inf).tolist() == [1, 1, 1, 1]


def test_log_value_is_level_less_scaled_losses() -> None:
    # Model a: 8 + 1. Wear 2: slope .4 · 2/2, steps .1 + .3, so .8. Finish 1: .5.
    assert backbone().predict(table("a", 2.0, 1.0, "p")) == pytest.approx([9 - 0.8 - 0.5])
    # Half of the first step: slope .4 · .5/2 = .1, step .05.
    assert backbone().predict(table("b", 0.5, 0.0, "p")) == pytest.approx([7 - 0.15])
    # Build q is spared half of the wear, and of the wear only.
    assert backbone().predict(table("a", 2.0, 1.0, "q")) == pytest.approx([9 - 0.4 - 0.5])
    # A model never seen has no effect of its own, and an unknown wear no loss.
    assert backbone().predict(table("zz", math.nan, 0.0, "p")) == pytest.approx([8.0])


def test_the_cap_is_on_all_losses_together() -> None:
    total = 0.8 + 0.5
    expected = 9 - 1.6 * (1 - math.exp(-total / 1.6))
    assert backbone(1.6).predict(table("a", 2.0, 1.0, "p")) == pytest.approx([expected])


def test_a_scale_never_falls_below_a_tenth_so_that_wear_never_pays() -> None:
    theta = THETA.copy()
    theta[9] = -3.0  # 1 − 3 would turn the sign of every loss of build q
    turned = replace(backbone(), theta=theta)
    assert turned.scale("condition", table("a", 2.0, 0.0, "q")) == pytest.approx([0.1])
    assert turned.predict(table("a", 2.0, 0.0, "q")) == pytest.approx([9 - 0.08])


@pytest.mark.parametrize("cap", [math.inf, 1.6])
def test_slopes_are_those_of_small_changes(cap: float) -> None:
    base = backbone(cap)
    rows = [table("a", 1.5, 1.0, "q"), table("b", 2.0, 0.0, "p")]
    both = {name: np.concatenate([r[name] for r in rows]) for name in rows[0]}
    index, value = base.jacobian(both)
    slopes = np.zeros((2, len(THETA) + 1))
    for row in range(2):
        np.add.at(slopes[row], index[row], value[row])
    step = 1e-6
    for column in range(len(THETA)):
        theta = THETA.copy()
        theta[column] += step
        moved = replace(base, theta=theta).predict(both) - base.predict(both)
        assert slopes[:, column] == pytest.approx(moved / step, abs=1e-5), column
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
    for block in BLOCKS:
        assert read_block(json.loads(json.dumps(block.state()))) == block
    assert [block.size for block in BLOCKS] == [4, 1, 2, 1, 4]
    assert backbone().starts.tolist() == [0, 4, 5, 7, 8, 12]
    assert backbone().families == ("condition", "originality")
