"""The pieces of the fit: folds, bounded least squares, pooled levels, evidence that is told apart."""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from plain import Plain

from models.price.core.backbone import loss_of
from models.price.core.basis import Table
from models.price.core.core import LOSS, Input
from models.price.evaluator.evaluator import Evaluator
from models.price.instruments.features import LOSSES
from training.fit.core import FittedCore, fit_core
from training.fit.design.data import Data
from training.fit.design.recipes import course, graded, graded_steps, levels, linear, smooth, unknown
from training.fit.design.specification import Specification
from training.fit.design.terms import BackboneTerm
from training.fit.solve.crossfit import folds_of
from training.fit.solve.normal_equations import bounded

Floats = NDArray[np.float64]


def test_folds_keep_a_specimen_together_and_do_not_look_at_its_name() -> None:
    specimens = [f"s{n % 40}" for n in range(100)]
    folds = folds_of(specimens, seed=3)
    assert all(
        len({f for f, s in zip(folds, specimens, strict=True) if s == name}) == 1 for name in specimens
    )
    assert sorted(Counter(folds[:40].tolist()).values()) == [8, 8, 8, 8, 8]
    # Other names in another order of the alphabet.
    other = [f"{99 - n % 40}" for n in range(100)]
    assert folds_of(other, seed=3).tolist() == folds.tolist()
    assert folds_of(specimens, seed=4).tolist() != folds.tolist()


def test_bounded_least_squares_by_hand() -> None:
    """½θ'Aθ − b'θ with A = I: θ = b, and 0 where b is negative and must not be."""
    a, b = np.eye(3), np.array([1.0, -2.0, -3.0])
    theta, _, free = bounded(a, b, np.array([True, True, False]))
    assert theta == pytest.approx([1.0, 0.0, -3.0]) and free.tolist() == [True, False, True]
    # Two that share: A = [[2, 1], [1, 2]], b = (1, −1). Free: (1, −1). With the second held at 0: 2θ = 1.
    a, b = np.array([[2.0, 1.0], [1.0, 2.0]]), np.array([1.0, -1.0])
    assert bounded(a, b, np.array([False, False]))[0] == pytest.approx([1.0, -1.0])
    assert bounded(a, b, np.array([True, True]))[0] == pytest.approx([0.5, 0.0])


ENCODING = Plain({"model": "a", "wear": 0.0}, losses=("wear",), steps=5)


def data(rows: int, seed: int, *, wear_pays: bool = False, bounds: int = 0, slips: float = 0.0) -> Data:
    """y = 8 + model + drift − .1 · wear, prices scattered by .1; a neck not known costs what is usual.

    `bounds`: askings at a gap of +.5 beside the sales.
    """
    rng = np.random.default_rng(seed)
    n = rows + bounds
    model = rng.choice(np.array(["a", "b", "c"], object), n, p=[0.6, 0.37, 0.03])
    wear = rng.integers(0, 6, n).astype(np.float64)
    y = 8.0 + np.select([model == "a", model == "b"], [0.0, 1.0], 2.0)
    y = y - (-0.1 if wear_pays else 0.1) * wear + rng.normal(0, 0.1, n)
    y = y + np.where(rng.random(n) < slips, math.log(10), 0.0)
    gap = ["" if k < rows else "asking" for k in range(n)]
    y = y + np.array([0.5 if g else 0.0 for g in gap])
    shown = np.where(rng.random(n) < 0.2, np.nan, wear)
    table: Table = {"model": model, "wear": shown}
    return Data(table, ENCODING.rows_of(table), y, gap, gap, [str(k) for k in range(n)])


SPEC = Specification(
    (
        BackboneTerm("model", (levels("model"),)),
        BackboneTerm("wear slope", (graded("wear", 5),), loss_of("condition"), "slope", part="condition"),
        BackboneTerm(
            "wear steps", (graded_steps("wear", 5),), loss_of("condition"), "steps", part="condition"
        ),
        BackboneTerm("wear unknown", (unknown("wear"),), loss_of("condition"), part="condition"),
    ),
    (Input("condition", LOSS, sign=-1),),
)


@pytest.fixture(scope="module")
def fitted() -> FittedCore:
    return fit_core(data(400, 1, bounds=200), SPEC, ENCODING)


def value(fitted: FittedCore, model: str, wear: float | None) -> float:
    return float(Evaluator(fitted.core, ENCODING).center([ENCODING.row(model=model, wear=wear)])[0])


def standard_error(fitted: FittedCore, model: str) -> float:
    """The standard deviation of a value: by the number of sales that would say as much, and their noise."""
    spread = fitted.core.spread
    assert spread is not None
    row = ENCODING.row(model=model, wear=1.0)
    evaluator = Evaluator(fitted.core, ENCODING)
    noise = evaluator.noise_variance([row])[0]
    return math.sqrt(noise / float(evaluator.ranges([row], [0.8]).effective[0]))


def test_levels_and_losses_are_found(fitted: FittedCore) -> None:
    for model, level in (("a", 8.0), ("b", 9.0)):
        for wear in range(6):
            assert value(fitted, model, wear) == pytest.approx(level - 0.1 * wear, abs=0.06)


def test_a_rare_level_is_drawn_towards_the_others(fitted: FittedCore) -> None:
    # A dozen looks of variance .01 against a prior variance near 1: hardly drawn at all, but drawn.
    rare = value(fitted, "c", 0.0)
    assert 9.8 < rare < 10.1
    # A level never seen has only the prior: the mean of the others, and all of their variance.
    unseen = value(fitted, "never seen", 0.0)
    assert 8.0 < unseen < 10.0
    spreads = [standard_error(fitted, m) for m in ("a", "c", "never seen")]
    assert spreads[0] < 0.03 < spreads[2] and spreads[0] < spreads[1] < spreads[2] / 3


def test_what_is_not_known_costs_what_is_usual(fitted: FittedCore) -> None:
    # Grades 0 to 5 are equally common: a mean loss of .25.
    assert value(fitted, "a", None) == pytest.approx(8 - 0.25, abs=0.08)


def test_the_gap_of_askings_is_learnt_and_not_priced_in(fitted: FittedCore) -> None:
    layout, est = fitted.problem.layout, fitted.estimate
    assert layout.gaps == ("asking",)
    assert float(est.theta[layout.intercept + 1]) == pytest.approx(0.5, abs=0.04)


def test_wear_that_seems_to_pay_is_not_believed() -> None:
    against = fit_core(data(300, 2, wear_pays=True), SPEC, ENCODING)
    values = [value(against, "a", float(w)) for w in range(6)]
    assert all(later <= before for before, later in pairwise(values))


def test_slips_lose_their_weight() -> None:
    """One in twenty prices ten times too high: plain least squares would add .05 · ln 10 = .115."""
    robust = fit_core(data(600, 3, slips=0.05), SPEC, ENCODING)
    bias = np.mean([value(robust, "a", w) - (8 - 0.1 * w) for w in range(6)])
    assert abs(bias) < 0.03
    slipped = robust.left.residual > 1.5
    assert 15 < slipped.sum() < 45 and robust.robust_weight[slipped].max() < 0.2 < np.median(
        robust.robust_weight[~slipped]
    )


def test_one_column_alone_is_enough_and_constants_are_left_out() -> None:
    rng = np.random.default_rng(5)
    x = rng.normal(size=100)
    table = {"x": x, "same": np.ones(100)}
    gap = [""] * 100
    y = 3 + 0.5 * x + rng.normal(0, 0.05, 100)
    spec = Specification((BackboneTerm("x", (linear("x"),)), BackboneTerm("same", (linear("same"),))))
    encoding = Plain({"x": 0.0, "same": 1.0}, curved=frozenset({"x", "same"}))
    rows = encoding.rows_of(table)
    found = fit_core(Data(table, rows, y, gap, gap, [str(n) for n in range(100)]), spec, encoding)
    assert [b.name for b in found.core.backbone.blocks] == ["x"]
    center = Evaluator(found.core, encoding).center([encoding.row(x=2.0)])
    assert center == pytest.approx([4.0], abs=0.05)


def test_a_grade_not_known_counts_as_the_mean_of_those_known() -> None:
    table = {"wear": np.array([0.0, 1.0, 3.0, 4.0, math.nan])}
    whole, by_step = graded("wear", 4)(table), graded_steps("wear", 4)(table)
    assert whole is not None and by_step is not None
    # A mean of 2 in 4; three of four reach the first step, two the second and the third, one the last.
    assert whole.rows(table)[1][-1].tolist() == [0.5]
    assert by_step.rows(table)[1][-1].tolist() == [0.75, 0.5, 0.5, 0.25]


def test_the_slope_of_a_course_fades_past_the_last_evidence() -> None:
    """Slopes of variance 1 that are forgotten over two years, from the first day on."""
    years = np.linspace(2000.0, 2012.0, 200)
    basis = course("time", 60)({"time": years})
    assert basis is not None
    # Between two days 10 and 11 the course moves by less than a slope held all year: by numbers, with
    # Var ∫ = 2 ∫₀¹ (1 − u) exp(−u / 2) du.
    u = (np.arange(100_000) + 0.5) / 100_000
    moved = np.diff(basis.rows({"time": np.array([2010.0, 2011.0])})[1], axis=0)[0]
    assert float(moved @ moved) == pytest.approx(2 * float(((1 - u) * np.exp(-u / 2)).mean()), rel=0.01)
    # It ends a year past the last evidence.
    end, later = basis.rows({"time": np.array([2013.0, 2020.0])})[1]
    assert end.tolist() == later.tolist()


def test_knots_that_differ_by_a_rounding_are_one() -> None:
    """Quantiles between equal values may differ in the last digits; no curve bends over no distance."""
    values = np.repeat([0.0, 1.0, 2.0, 3.0 - 2.9e-14, 3.0, 4.0], 20)
    basis = smooth("x", 6)({"x": values})
    assert basis is not None
    assert basis.state()["knots"] == pytest.approx([0.0, 1.0, 2.0, 3.0, 4.0])
    assert np.isfinite(basis.rows({"x": np.linspace(-1.0, 5.0, 13)})[1]).all()


def test_a_blank_never_counts_as_better_than_the_reference_instrument_has_it() -> None:
    """A blank counts as the mean grade, raised to the reference's grade of 1 where most are like new."""
    assert "condition_neck" in LOSSES
    table = {"condition_neck": np.array([0.0, 0.0, 0.0, 2.0, math.nan])}
    whole, by_step = graded("condition_neck", 5)(table), graded_steps("condition_neck", 5)(table)
    assert whole is not None and by_step is not None
    # A mean of .5 is raised to 1; a quarter reaches each of two steps, of which the reference has the first.
    assert whole.rows(table)[1][-1].tolist() == [1 / 5]
    assert by_step.rows(table)[1][-1].tolist() == [1.0, 0.25, 0.0, 0.0, 0.0]
