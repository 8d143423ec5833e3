"""IAAO, Standard on Ratio Studies (2013): worked tables of appendix D, read through public test fixtures."""

import math

import numpy as np
import pytest

from models.study.ratio import cod, mean_ratio, median_ratio, prb, prd, ratio_study, weighted_mean_ratio

# Table D-1, estimate/price in thousands.
D1 = """116.7/114.5 130.3/121 130.2/133.9 145.5/139 134.1/145 153.9/156.5 143.4/161.1 156.9/169.5 169/175
149.2/181 160.1/188.9 191.4/205 177.2/216.15 205.5/219 206.5/235 243.8/249 211.6/258.9 242.5/263 258.4/305.9
265.9/312.5 305.7/336 291.6/360 312.8/399.9 352.2/418.5 354.9/459"""
# Table D-2: one sale carries most of the money, so PRD fails where PRB passes.
D2 = """45/50 100/100 165/150 180/200 250/250 330/300 315/350 400/400 495/450 450/500 550/550 660/600 585/650
700/700 825/750 1875/2500"""

# n, median, mean, weighted mean, COD, PRD, PRB as published (recomputed to six places).
PUBLISHED = {
    "D-1": (D1, 25, 0.909821, 0.903127, 0.879467, 7.507398, 1.026904, -0.119837),
    "D-2": (D2, 16, 1.0, 0.984375, 0.932353, 7.8125, 1.055797, -0.010850),
}


def _pairs(text: str) -> tuple[np.ndarray, np.ndarray]:
    table = np.array([[float(x) for x in pair.split("/")] for pair in text.split()])
    return table[:, 0], table[:, 1]


@pytest.mark.parametrize("name", PUBLISHED)
def test_worked_tables(name: str) -> None:
    text, n, *published = PUBLISHED[name]
    estimate, price = _pairs(text)
    assert len(price) == n
    statistics = (median_ratio, mean_ratio, weighted_mean_ratio, cod, prd, prb)
    found = [statistic(estimate, price) for statistic in statistics]
    assert found == pytest.approx(published, abs=6e-7)


def test_prd_and_prb_disagree_on_d2() -> None:
    """The standard accepts PRD .98–1.03 and PRB ±.05: reporting one alone would mislead."""
    study = ratio_study(*_pairs(D2))
    assert study["prd"].value > 1.03
    assert abs(study["prb"].value) < 0.05


def test_figures_do_not_depend_on_the_unit_of_money() -> None:
    estimate, price = _pairs(D1)
    ours, theirs = ratio_study(estimate, price, draws=0), ratio_study(estimate * 1e3, price * 1e3, draws=0)
    for name, figure in ours.items():
        assert figure.value == pytest.approx(theirs[name].value, abs=1e-12)


def test_intervals_hold_the_figure_and_narrow_with_more_sales() -> None:
    estimate, price = _pairs(D1)
    few = ratio_study(estimate, price)
    many = ratio_study(np.tile(estimate, 16), np.tile(price, 16))
    for figure in few.values():
        assert figure.low <= figure.value <= figure.high
    # Sixteen times the sales, a quarter of the width, within what the bootstrap draws leave.
    narrowed = (many["mean_ratio"].high - many["mean_ratio"].low) / (
        few["mean_ratio"].high - few["mean_ratio"].low
    )
    assert narrowed == pytest.approx(0.25, abs=0.04)


def test_the_bootstrap_width_is_that_of_a_mean() -> None:
    """Of a mean of n ratios the 95% interval is 2 · 1.96 · s/√n wide (the textbook's normal limit)."""
    rng = np.random.default_rng(0)
    ratio = 1 + 0.1 * rng.standard_normal(400)
    figure = ratio_study(ratio, np.ones(400))["mean_ratio"]
    assert figure.high - figure.low == pytest.approx(2 * 1.96 * ratio.std() / math.sqrt(400), rel=0.1)


@pytest.mark.parametrize(
    ("estimate", "price"),
    [([1.0, 2.0], [1.0]), ([], []), ([1.0, 0.0], [1.0, 1.0]), ([1.0, 1.0], [1.0, -1.0])],
)
def test_refuses_what_has_no_ratio(estimate: list[float], price: list[float]) -> None:
    with pytest.raises(ValueError, match="estimate, price"):
        ratio_study(np.array(estimate), np.array(price))
