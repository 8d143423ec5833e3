"""The rule that predicts unknown losses from known ones: its figures by hand, and how it is learnt."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from plain import Plain

from models.price.core.backbone import Backbone, Block, loss_of, scale_of
from models.price.core.basis import Levels, Linear, Ramps, Table, Unknown
from models.price.core.core import Core
from models.price.core.missing_losses import MissingLossModel, read_missing_losses
from models.price.core.posterior import nothing_known
from models.price.evaluator.evaluator import Evaluator
from training.fit.design.problem import layout_of, matrix
from training.fit.design.specification import HANDED
from training.fit.solve import fitted_values
from training.fit.solve.missing_losses import (
    factor_of,
    missing_loss_model_of,
    moments_of_losses,
    moments_of_unknown,
    within_costs,
)

NAN = math.nan
RULE = MissingLossModel(
    ("neck", "back"),
    np.array([[0.0, 0.1, 0.3], [0.0, 0.2, 0.5]]),
    np.array([0.1, 0.2]),
    np.array([[0.0, 0.5], [0.25, 0.0]]),  # half of the back's departure for a neck not known, a quarter back
)


def table(neck: list[float], back: list[float]) -> Table:
    return {"neck": np.array(neck), "back": np.array(back)}


def test_an_unknown_field_is_moved_by_how_far_the_known_ones_lie_from_their_mean() -> None:
    # Back 2: .5 − .2 = +.3 worse than usual, half of it on the neck. Back 0: .2 better than usual.
    found = RULE.predict(table([NAN, NAN, NAN], [2.0, 0.0, 1.0]))
    assert found == pytest.approx([-0.15, 0.1, 0.0])
    # A neck between two grades, .2 − .1 = +.1, on an unknown back; past the scale is the end of the scale.
    assert RULE.predict(table([1.5, 9.0], [NAN, NAN])) == pytest.approx([-0.025, -0.05])
    # Nothing is unknown, or nothing is known: nothing to say.
    assert RULE.predict(table([2.0, NAN], [2.0, NAN])).tolist() == [0.0, 0.0]


def test_values_and_effects_are_the_shapley_values_of_the_two_fields() -> None:
    encoding = Plain({"neck": 0.0, "back": 0.0}, losses=("neck", "back"))
    core = Core(Backbone((), np.zeros(0), 8.0, math.inf), None, nothing_known(0), None, RULE)
    evaluator = Evaluator(core, encoding)
    told, known = encoding.row(neck=None, back=2.0), encoding.row(neck=1.0, back=0.0)
    assert evaluator.center([told, known]) == pytest.approx([8 - 0.15, 8.0])
    # From (neck 1, back 0) to (neck unknown, back 2). Neck first: +.1, then the back −.25. Back first: 0,
    # then the neck −.15. So the neck (.1 − .15) / 2 and the back (−.25 + 0) / 2.
    assert evaluator.effects([told], [known]) == pytest.approx(np.array([[-0.025, -0.125]]))
    # The neck unknown on both sides: all of it is the back's.
    assert evaluator.effects([told], [encoding.row(neck=None)]) == pytest.approx(np.array([[0.0, -0.25]]))


def test_it_comes_back_from_json() -> None:
    again = read_missing_losses(json.loads(json.dumps(RULE.state())))
    t = table([NAN, 1.0], [2.0, NAN])
    assert again.columns == RULE.columns and again.predict(t).tolist() == RULE.predict(t).tolist()


def backbone() -> Backbone:
    """Losses of .2 a grade for the neck and .1 for the back, and of .4 and .2 where they are not known."""
    blocks, theta = [], []
    for column, slope in (("neck", 0.2), ("back", 0.1)):
        blocks += [
            Block(f"{column} slope", (Linear(column, 0.0, 1.0),), loss_of("condition")),
            Block(f"{column} steps", (Ramps(column, (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)),), loss_of("condition")),
            Block(f"{column} unknown", (Unknown(column),), loss_of("condition")),
        ]
        theta += [slope, 0.0, 0.0, 0.0, 0.0, 0.0, 2 * slope]
    return Backbone(tuple(blocks), np.array(theta), 8.0, math.inf)


def rule_of(of: Backbone, table: Table) -> MissingLossModel | None:
    """The rule learned from a table under this backbone."""
    layout = layout_of(of.blocks, ())
    parts = fitted_values.parts_of(layout, matrix(layout, table), np.append(of.theta, of.intercept))
    return missing_loss_model_of(of, table, parts)


def worn(rows: int, alike: bool, seed: int = 1) -> Table:
    """Grades of two parts that are worn together, or each on its own; a tenth is not known."""
    rng = np.random.default_rng(seed)
    neck = rng.integers(0, 6, rows).astype(float)
    back = (
        np.clip(neck + rng.integers(-1, 2, rows), 0, 5) if alike else rng.integers(0, 6, rows).astype(float)
    )
    return {name: np.where(rng.random(rows) < 0.1, NAN, x) for name, x in (("neck", neck), ("back", back))}


def test_parts_that_wear_together_are_told_from_parts_that_do_not() -> None:
    together, apart = rule_of(backbone(), worn(800, True)), rule_of(backbone(), worn(800, False))
    assert together is not None and apart is not None
    assert together.losses[:, -1] == pytest.approx([1.0, 0.5])
    # A worn back says that the neck is worn, which costs; a clean one that it is clean.
    worse, better = together.predict(table([NAN, NAN], [5.0, 0.0]))
    assert worse < -0.05 and better > 0.05
    assert np.abs(apart.predict(table([NAN, NAN], [5.0, 0.0]))).max() < 0.03
    assert (together.weights >= 0).all() and (np.diag(together.weights) == 0).all()


def test_an_unknown_part_stays_a_loss_however_clean_the_rest_is() -> None:
    rule = rule_of(backbone(), worn(800, True))
    assert rule is not None
    gain = float(rule.predict(table([NAN], [0.0]))[0])
    assert 0 < gain <= 0.95 * 0.4 + 1e-12  # of what an unknown neck costs


def test_losses_count_as_the_usual_scale_of_their_family_has_them() -> None:
    """Wear weighs twice as much here, but for prototypes, which are spared half of it."""
    plain, t = (
        backbone(),
        {**worn(800, True), "build": np.array(["production"] * 799 + ["prototype"], object)},
    )
    build = Block("by build", (Levels("build", ("production", "prototype")),), scale_of("condition"))
    theta = np.concatenate([plain.theta, [math.log(2.0), math.log(0.5), 0.0, 0.0]])
    scaled = Backbone((*plain.blocks, build), theta, 8.0, math.inf)
    rule = rule_of(scaled, t)
    assert rule is not None
    assert rule.losses[:, -1] == pytest.approx([2.0, 1.0], rel=0.01)
    # Even of a prototype, at half of .4, what is not known stays a loss.
    assert float(rule.predict(table([NAN], [0.0]))[0]) <= 0.95 * 0.2 + 1e-12


def test_few_rows_say_nothing() -> None:
    rule = rule_of(backbone(), worn(30, True))
    assert rule is not None and not rule.weights.any()


def test_the_prices_decide_how_much_of_it_is_true() -> None:
    rng = np.random.default_rng(2)
    moved, weight = rng.normal(size=500), rng.uniform(0.5, 2, 500)
    assert factor_of(0.4 * moved, moved, weight) == pytest.approx(0.4)
    assert factor_of(-moved, moved, weight) == 0.0
    assert factor_of(3 * moved, moved, weight) == 1.0
    assert factor_of(moved, np.zeros(500), weight) == 0.0


@pytest.mark.parametrize("cap", [math.inf, 0.5])
def test_no_blank_gains_by_the_rule_more_than_it_costs_where_trees_bend_the_losses(cap: float) -> None:
    """Trees may take all of their share of the losses back: what is left of a blank's cost must suffice."""
    of = replace(backbone(), cap=cap)
    rule = rule_of(of, worn(800, True))
    assert rule is not None
    left = 1 - HANDED
    for column, place in (("neck", 0), ("back", 1)):
        (other,) = {"neck", "back"} - {column}
        best = float(rule.predict({column: np.array([NAN]), other: np.array([0.0])})[0])
        slope = float(of.theta[6 if column == "neck" else 13])
        cost = float(fitted_values.saturate(np.array([slope]), cap)[0])
        assert 0 < best <= left * cost, (place, best, cost)


def test_a_rule_is_weakened_where_a_later_estimate_makes_blanks_cheaper() -> None:
    table = worn(800, True)
    rule = rule_of(backbone(), table)
    assert rule is not None
    cheaper = replace(backbone(), theta=backbone().theta * np.where(np.arange(14) == 6, 0.5, 1.0))
    layout = layout_of(cheaper.blocks, ())
    parts = fitted_values.parts_of(layout, matrix(layout, table), np.append(cheaper.theta, 8.0))
    found = within_costs(rule, cheaper, table, parts)
    # A neck that is not known costs .2 now and no longer .4; the back costs what it did.
    assert found.weights[0, 1] == pytest.approx(rule.weights[0, 1] / 2)
    assert found.weights[1, 0] == rule.weights[1, 0]
    assert found.losses is rule.losses and found.mean is rule.mean


def test_a_blank_beside_heavy_losses_costs_less_and_may_gain_less() -> None:
    """Cap 1/2. A back not known beside a neck at 5: u = 1 + .2, so of the back's .2 only e^−2.4 counts."""
    rule = MissingLossModel(
        ("neck", "back"), np.zeros((2, 6)), np.array([0.0, 0.0]), np.array([[0.0, 0.0], [0.5, 0.0]])
    )
    rule = replace(rule, losses=np.tile(np.linspace(0.0, -0.5, 6), (2, 1)))
    of, table = replace(backbone(), cap=0.5), {"neck": np.array([5.0]), "back": np.array([NAN])}
    layout = layout_of(of.blocks, ())
    parts = fitted_values.parts_of(layout, matrix(layout, table), np.append(of.theta, 8.0))
    # The rule says that such a neck is good news: half of its departure of −.5 is .25.
    assert rule.predict(table)[0] == pytest.approx(0.25)
    found = within_costs(rule, of, table, parts).predict(table)[0]
    assert found == pytest.approx(0.95 * (1 - HANDED) * 0.2 * math.exp(-2.4), rel=1e-6)


def test_what_a_blank_may_hide_is_the_variance_of_its_effect_where_it_is_known() -> None:
    of, table = backbone(), {"neck": np.array([0.0, 2.0, 0.0, 2.0, 0.0, 2.0, NAN]), "back": np.ones(7)}
    layout = layout_of(of.blocks, ())
    parts = fitted_values.parts_of(layout, matrix(layout, table), np.append(of.theta, of.intercept))
    # Losses of 0 and .4 in equal numbers; the back is always known.
    neck = moments_of_losses(of, table, parts)["neck"]
    assert neck == pytest.approx((0.04, 0.0))
    variance, _ = moments_of_unknown({"neck": neck}, table)
    assert variance.tolist() == [0, 0, 0, 0, 0, 0, neck.variance]
    assert [moments.tolist() for moments in moments_of_unknown({}, table)] == [[0.0] * 7] * 2


def test_the_moments_of_blank_losses_add_up_and_say_to_which_side_they_lie() -> None:
    of = backbone()
    table = {"neck": np.array([0.0] * 9 + [2.0, NAN, NAN]), "back": np.array([0.0] * 9 + [5.0, 0.0, NAN])}
    layout = layout_of(of.blocks, ())
    parts = fitted_values.parts_of(layout, matrix(layout, table), np.append(of.theta, of.intercept))
    hidden = moments_of_losses(of, table, parts)
    # Effects of 0 but for one in ten of −.4: p (1 − p) .4² and −p (1 − p) (1 − 2p) .4³. So the back's, with
    # one in eleven of −.5: 10/121 of .25, and −90/1331 of .125.
    neck, back = (0.09 * 0.16, -0.09 * 0.8 * 0.064), (10 / 121 * 0.25, -90 / 1331 * 0.125)
    assert hidden["neck"] == pytest.approx(neck) and hidden["back"] == pytest.approx(back)
    variance, third = moments_of_unknown(hidden, table)
    assert variance.tolist() == pytest.approx([0.0] * 10 + [neck[0], neck[0] + back[0]])
    assert third.tolist() == pytest.approx([0.0] * 10 + [neck[1], neck[1] + back[1]])
