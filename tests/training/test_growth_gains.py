"""Ten more sales narrow a range: the formula for how far, against rows added to a linear problem."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from linear_market import NOISE, covariance, design, linear_model, sales

from training.growth.gains import after, of_fields, of_makers, of_models
from training.growth.report import named, percent, sentence_of_field, sentence_of_maker, sentence_of_model

# The model's shape has nine residuals: its 80% range ends at the outermost, 1.2 scales away.
HALF = 1.2
NORMAL = 1.2815515655446004


def _least_squares(x: Any, noise: Any, prior: float) -> Any:
    """The covariance of coefficients after rows of a Bayesian linear problem, by its normal equations."""
    return np.linalg.inv(np.eye(x.shape[1]) / prior + x.T @ (x / noise[:, None]))


def test_ten_more_rows_of_one_kind_leave_what_the_formula_says() -> None:
    """v′ = v · s / (v + s), s = σ² / 10."""
    rng = np.random.default_rng(1)
    x, one = rng.normal(size=(25, 6)), rng.normal(size=6)
    v = one @ _least_squares(x, np.full(25, 0.3), 2.0) @ one
    added = np.vstack([x, np.tile(one, (10, 1))])
    brute = one @ _least_squares(added, np.full(35, 0.3), 2.0) @ one
    s = 0.3 / 10
    assert v * s / (v + s) == pytest.approx(brute, rel=1e-9)
    assert after(np.array([[v]]), np.array([0.3]), np.array([10.0]))[0, 0] == pytest.approx(brute, rel=1e-9)


def test_rows_of_several_kinds_leave_what_adding_them_leaves() -> None:
    """Three of the first kind, seven of the third with another noise, none of the second."""
    rng = np.random.default_rng(2)
    x, kinds = rng.normal(size=(25, 6)), rng.normal(size=(3, 6))
    start = _least_squares(x, np.full(25, 0.3), 2.0)
    added = np.vstack([x, np.tile(kinds[0], (3, 1)), np.tile(kinds[2], (7, 1))])
    noise = np.concatenate([np.full(25, 0.3), np.full(3, 0.2), np.full(7, 0.5)])
    brute = kinds @ _least_squares(added, noise, 2.0) @ kinds.T
    found = after(kinds @ start @ kinds.T, np.array([0.2, 9.0, 0.5]), np.array([3.0, 0.0, 7.0]))
    assert found == pytest.approx(brute, rel=1e-8)


def test_a_models_range_narrows_as_if_ten_sales_were_fitted() -> None:
    rows = sales(12, 1)
    by_name = {gain.name: gain for gain in of_models(linear_model(rows))}
    for at, name in enumerate(("Ostvik Fjell 2", "Ostvik Dal", "Séraphine & Fils Étoile")):
        x = design(at)
        before = x @ covariance(rows) @ x
        left = x @ covariance(rows, x[None], np.array([10.0])) @ x
        gain = by_name[name]
        assert gain.before == pytest.approx(HALF * math.sqrt(NOISE + before), rel=1e-3)
        assert gain.after == pytest.approx(HALF * math.sqrt(NOISE + left), rel=1e-3)
        assert gain.sales == (12, 1, 0)[at]


def test_a_maker_has_ten_sales_over_its_models_and_the_mean_of_their_ranges() -> None:
    rows = sales(12, 1)
    gain = next(gain for gain in of_makers(linear_model(rows)) if gain.name == "Ostvik")
    x = np.array([design(0), design(1)])
    ranges = [
        np.mean([HALF * math.sqrt(NOISE + one @ known @ one) for one in x])
        for known in (covariance(rows), covariance(rows, x, np.array([5.0, 5.0])))
    ]
    assert [gain.before, gain.after] == pytest.approx(ranges, rel=1e-3)
    assert (gain.sales, gain.over) == (13, 2)


def test_a_field_narrows_what_its_worse_value_does_to_a_price() -> None:
    """Of 15 sales 4 are refinished, two of each of two models: five more of each."""
    rows = sales(8, 7, refinished=2)
    (gain,) = of_fields(linear_model(rows), rows)
    worse, typical = np.array([design(0, 2), design(1, 2)]), np.array([design(0), design(1)])
    ranges = [
        np.mean([NORMAL * math.sqrt((w - t) @ known @ (w - t)) for w, t in zip(worse, typical, strict=True)])
        for known in (covariance(rows), covariance(rows, worse, np.array([5.0, 5.0])))
    ]
    assert [gain.before, gain.after] == pytest.approx(ranges, rel=1e-3)
    assert (gain.name, gain.value, gain.sales, gain.over) == ("finish originality", "refinished", 4, 2)
    assert gain.share == pytest.approx(4 / 15)
    assert gain.gain == pytest.approx(4 / 15 * (ranges[0] - ranges[1]), rel=1e-2)


def test_a_field_that_no_sale_differs_in_is_left_out() -> None:
    rows = sales(8, 7)
    assert of_fields(linear_model(rows), rows) == []


def test_the_least_known_come_first_each_with_its_sentence() -> None:
    rows = sales(30, 1, refinished=1)
    model = linear_model(rows)
    entries = named(of_models(model), sentence_of_model)
    assert [entry["name"] for entry in entries] == ["Séraphine & Fils Étoile", "Ostvik Dal", "Ostvik Fjell 2"]
    x = design(2)
    ends = [
        100 * (math.exp(HALF * math.sqrt(NOISE + x @ known @ x)) - 1)
        for known in (covariance(rows), covariance(rows, x[None], np.array([10.0])))
    ]
    assert entries[0]["sentence"] == (
        "Ten more sales of Séraphine & Fils Étoile (none so far) would narrow the 80% range of its typical "
        f"instrument from ±{ends[0]:.0f}% to ±{ends[1]:.0f}%."
    )
    (field,) = named(of_fields(model, rows), sentence_of_field)
    assert field["sentence"].startswith(
        "Ten more sales with “finish originality: refinished” (2 so far, 6% of all) would narrow the 80% "
        "range of its effect on the price from ±"
    )
    makers = {entry["name"]: entry["sentence"] for entry in named(of_makers(model), sentence_of_maker)}
    assert "Ostvik (31 so far), spread over its 2 models, would narrow" in makers["Ostvik"]
    assert "its typical instrument" in makers["Séraphine & Fils"]


def test_a_range_in_per_cent_is_that_of_its_upper_end() -> None:
    assert percent(math.log(1.31)) == pytest.approx(31)


def test_a_field_tells_over_how_many_models_its_sales_are_spread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("training.growth.gains._MOST_MODELS", 1)
    rows = sales(8, 7, refinished=2)
    (gain,) = of_fields(linear_model(rows), rows)
    assert gain.over == 1
