"""Comparables: which sales are chosen, how each is adjusted, and what they say together."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from market_of_fakes import sold, subject, valuer

from models.insights.comparables import Step, adjust, comparables, reconcile
from models.insights.comparables.grid import shares_of, weights

# exp(8) = 2,980.96: what the fake model says of a specimen of which nothing is known.
WORN = {"condition_neck": 4.0}  # −.4 in log: 1,998.20


def test_a_sale_is_brought_line_by_line_to_the_subject_and_the_grid_foots() -> None:
    found = comparables(valuer(sold("a", "2000", channel="dealer", **WORN)), subject(condition_neck=2.0))
    (sale,) = found.sales
    grid = sale.grid
    # By hand: dealer to private, +.05 in log: 2,000 · e^.05 = 2,102.54; neck 4 to 2, +.2: · e^.2 = 2,568.05.
    assert [line.field for line in grid.market] == ["channel"]
    assert grid.today == Decimal("2102.54")
    assert [line.field for line in grid.lines] == ["condition.neck"]
    assert grid.adjusted == Decimal("2568.05")
    assert grid.price + sum(line.amount for line in (*grid.market, *grid.lines)) == grid.adjusted
    assert found.reconciled == grid.adjusted
    assert found.value == Decimal("2440.60")  # e^(8 − .2)
    assert found.difference == pytest.approx(2568.05 / 2440.60 - 1)


def test_a_price_in_another_currency_is_converted_at_the_rate_of_its_day() -> None:
    # The euro was quoted at 1.25 in 2020 and at 1.1 on the day of the value.
    old = sold("a", "2600", date(2020, 3, 1), currency="EUR")
    found = comparables(valuer(old), subject(), currency="EUR")
    assert found.sales[0].grid.price == Decimal("2954.55")  # 2,600 · 1.25 / 1.1
    assert (found.sales[0].price, found.sales[0].currency) == (Decimal("2600"), "EUR")


def test_the_same_edition_and_build_come_first_and_other_models_never() -> None:
    rows = (
        sold("alike", "2900"),
        sold("edition", "2900", edition="Solverv"),
        sold("prototype", "2900", build="prototype"),
        sold("dal", "2900", model="Dal"),
    )
    found = comparables(valuer(*rows), subject(edition="Solverv"))
    assert found.sales[0].id == "edition"
    assert {c.id for c in found.sales} == {"alike", "edition", "prototype"}
    assert [c.same_edition_and_build for c in found.sales] == [True, False, False]


def test_the_nearer_sale_comes_first_and_weighs_more() -> None:
    far = sold("far", "1900", **WORN, condition_top=3.0, originality_pickups="modern")
    near = sold("near", "2700", condition_neck=1.0)
    found = comparables(valuer(far, near), subject(condition_neck=0.0))
    assert [c.id for c in found.sales] == ["near", "far"]
    assert found.sales[0].share > found.sales[1].share
    assert sum(c.share for c in found.sales) == pytest.approx(1)


def test_askings_and_offers_stand_beside_and_are_never_mixed_in() -> None:
    rows = (sold("a", "2900"), sold("b", "9000", kind="asking"), sold("c", "2000", kind="offer"))
    found, without = (comparables(valuer(*r), subject()) for r in (rows, rows[:1]))
    assert {c.id for c in found.beside} == {"b", "c"}
    assert all(c.share == 0 for c in found.beside)
    assert found.reconciled == without.reconciled == Decimal("2900.00")


def test_what_was_sold_after_the_day_of_the_value_is_not_looked_at() -> None:
    rows = (sold("before", "2900", date(2024, 1, 1)), sold("after", "2900", date(2025, 1, 1)))
    found = comparables(valuer(*rows), subject(day=date(2024, 6, 1)))
    assert [c.id for c in found.sales] == ["before"]


def test_a_slip_of_the_pen_is_set_aside_and_named() -> None:
    # Noise .15 in log: ten times the value lies 15 standard deviations away.
    found = comparables(valuer(sold("a", "2900"), sold("slip", "29000")), subject())
    assert [c.id for c in found.sales] == ["a"]
    assert found.set_aside == ("slip",)


def test_without_a_sale_of_the_model_there_are_none_and_it_says_so() -> None:
    found = comparables(valuer(sold("dal", "900", model="Dal")), subject())
    assert found.sales == ()
    assert found.reconciled is None
    assert "no closed sale of this model (Ostvik Fjell 2)" in str(found.note)


def test_disagreement_beyond_the_half_range_is_a_caution() -> None:
    # The fake's 50% range is ± .3 · (1 + u / 10) · .5 in log, u the fields that are not known: 28 and 22.
    assert comparables(valuer(sold("a", "2900")), subject()).caution is None
    full = {f"condition_{p}": 0.0 for p in ("top", "back", "neck", "headstock", "frets", "hardware")}
    low = comparables(valuer(sold("a", "1700", **full)), subject(**full))
    assert low.caution is not None
    assert low.caution.code == "comparables_disagree"


def test_an_earlier_sale_of_the_same_instrument_is_marked() -> None:
    rows = (sold("own", "2900", serial="A 1"), sold("other", "2900", serial="A 2"))
    found = comparables(valuer(*rows), subject(serial="a1"))
    assert {c.id: c.same_instrument for c in found.sales} == {"own": True, "other": False}
    nobody = comparables(valuer(*rows, sold("unnumbered", "2900")), subject())
    assert not any(c.same_instrument for c in nobody.sales)


def test_the_order_of_the_evidence_does_not_matter() -> None:
    rows = [sold(f"r{k}", str(2000 + 100 * k), condition_neck=float(k % 5)) for k in range(12)]
    assert comparables(valuer(*rows), subject()) == comparables(valuer(*rows[::-1]), subject())


@given(st.lists(st.floats(-1.5, 1.5), min_size=1, max_size=12))
def test_the_shares_of_a_grid_sum_to_the_whole_change(effects: list[float]) -> None:
    assert math.fsum(shares_of(effects)) == pytest.approx(math.expm1(math.fsum(effects)), abs=1e-9)


@given(
    st.decimals("0.01", "1000000", places=2),
    st.lists(st.floats(-0.5, 0.9), max_size=3),
    st.lists(st.floats(-0.3, 0.5), max_size=8),
)
def test_every_grid_foots_to_the_cent(price: Decimal, market: list[float], lines: list[float]) -> None:
    grid = adjust(price, [Step("day", s) for s in market], [Step("figure", s) for s in lines], "USD")
    assert grid.price + sum((x.amount for x in grid.market), Decimal(0)) == grid.today
    assert grid.today + sum((x.amount for x in grid.lines), Decimal(0)) == grid.adjusted
    assert abs(grid.net) <= grid.gross + 1e-12


def test_time_and_market_are_compounded_and_lines_are_not() -> None:
    up = [Step("day", 0.1), Step("channel", 0.1)]
    # By hand: 1,000 · 1.1 · 1.1 = 1,210; then twice 10% of 1,210.
    grid = adjust(Decimal(1000), up, [Step("figure", 0.1), Step("year", 0.1)], "USD")
    assert (grid.today, grid.adjusted) == (Decimal(1210), Decimal(1452))


def test_a_sale_that_needs_no_adjustment_does_not_take_all_the_weight() -> None:
    same = adjust(Decimal(1000), [], [], "USD")
    other = adjust(Decimal(1000), [], [Step("figure", 0.02)], "USD")
    assert weights([same, other]) == pytest.approx((2 / 3, 1 / 3))
    assert reconcile([replace(same, adjusted=Decimal(1000)), other]) == Decimal("1006.67")
