"""The worked examples of `docs/offers.md`, repeated by hand: all numbers typed in, or by Decimal."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import numpy as np
import pytest

from models.decisions.offers import MARGIN, NOTHING, RISK, Ceiling, ceiling_of, deal_at
from models.decisions.resale import Resale
from models.decisions.terms import OfferTerms

D = Decimal
DOCUMENT = (Path(__file__).parents[2] / "docs" / "offers.md").read_text(encoding="utf-8")
PRICES = (4500, 4900, 5300, 5700, 6000, 6300, 6600, 7000, 7700, 8500)  # their sum is 62,500
GROWTH = D("1.08").sqrt()  # six months at 8% a year: 1.08 to the power of a half


def terms(wanted: str, risk: str = "0.2", **more: str) -> OfferTerms:
    usual = {
        "selling_fee_rate": "0.05",
        "payment_fee_rate": "0.03",
        "shipping": "150",
        "work": "120",
        "tax_rate": "0.1",
        "months_to_sell": "6",
        "cost_of_money_rate": "0.08",
    }
    return OfferTerms(D(wanted), D(risk), **{name: D(value) for name, value in {**usual, **more}.items()})


def ceiling(wanted: str, risk: str = "0.2", **more: str) -> Ceiling:
    return ceiling_of(Resale(np.array(PRICES, np.float64)), terms(wanted, risk, **more), "USD")


def cent(amount: Decimal) -> Decimal:
    return amount.quantize(D("0.01"), ROUND_HALF_UP)


def lines(found: Ceiling) -> dict[str, Decimal]:
    return {step.name: step.amount for step in found.steps}


def test_where_the_margin_sets_the_price() -> None:
    # The mean is 6250. Each price is above the price paid, so that the mean margin is 6250 − p:
    # 6250 · 0.92 − 0.1 · (6250 − p) − (p + 270) · growth = 0.2 · p
    exact = (D(5750) - D(625) - 270 * GROWTH) / (GROWTH + D("0.2") - D("0.1"))
    found = ceiling("0.2")
    assert D("4252.35") <= exact < D("4252.36")
    assert (found.most_to_pay, found.set_by) == (D("4252.35"), MARGIN)
    assert lines(found) == {
        "expected_resale": D("6250.00"),
        "selling_fee": D("-312.50"),
        "payment_fee": D("-187.50"),
        "tax": D("-199.76"),  # a tenth of 6250 − 4252.35 = 1997.65, half up
        "shipping": D("-150.00"),
        "work": D("-120.00"),
        "cost_of_money": -cent((D("4252.35") + 270) * (GROWTH - 1)),  # 177.41
        "wanted_margin": D("-850.48"),
        "kept_back": D("0.00"),
        "most_to_pay": D("4252.35"),
    }
    # At 4252.35 a resale at 4900 loses, and one at 5300 does not: two of ten.
    assert found.deal.chance_of_loss == 0.2
    assert found.deal.expected_profit == D("850.48")


def test_where_the_risk_sets_the_price() -> None:
    # Two of ten may lose, so the third lowest price, 5300, must just not:
    # 5300 · 0.92 − 0.1 · (5300 − p) − (p + 270) · growth = 0
    exact = (D("4876") - D("530") - 270 * GROWTH) / (GROWTH - D("0.1"))
    found = ceiling("0.05")
    assert D("4328.44") <= exact < D("4328.45")
    assert (found.most_to_pay, found.set_by) == (D("4328.44"), RISK)
    money = cent((D("4328.44") + 270) * (GROWTH - 1))
    tax = cent((D(6250) - D("4328.44")) / 10)
    profit = D(6250) - D("312.50") - D("187.50") - tax - D(270) - money - D("4328.44")
    assert lines(found)["cost_of_money"] == -money == D("-180.40")
    assert lines(found)["tax"] == -tax
    assert found.deal.expected_profit == profit
    assert lines(found)["wanted_margin"] == -cent(D("4328.44") / 20) == D("-216.42")
    assert lines(found)["kept_back"] == -(profit - D("216.42"))
    assert found.deal.chance_of_loss == 0.2


def test_no_tax_comes_back_where_it_sells_for_less() -> None:
    # Without a wanted margin, and with any risk: two prices, 4500 and 4900, lie below the price paid, so that
    # the mean margin is (53100 − 8p) / 10: 5750 − 0.1 · (5310 − 0.8p) − (p + 270) · growth = 0
    exact = (D(5750) - D(531) - 270 * GROWTH) / (GROWTH - D("0.08"))
    assert 4900 < exact < 5300
    found = ceiling("0", "1")
    assert found.most_to_pay == exact.quantize(D("0.01"), "ROUND_DOWN") == D("5148.30")
    assert lines(found)["tax"] == -cent(D("5310") / 10 - D("0.08") * D("5148.30"))


def test_quantiles_of_the_profit_are_those_of_the_ten_profits() -> None:
    paid = D("4252.35")
    profits = [s * D("0.92") - (s - paid) / 10 - (paid + 270) * GROWTH for s in map(D, PRICES)]
    found = deal_at(Resale(np.array(PRICES, np.float64)), paid, terms("0.2"), "USD")
    # The median lies in the middle of the fifth and the sixth; a tenth lies 0.9 of the way from the first.
    told = {one.chance: one.amount for one in found.quantiles}
    assert told[0.5] == cent((profits[4] + profits[5]) / 2)
    assert told[0.1] == cent(profits[0] + (profits[1] - profits[0]) * D("0.9"))


@pytest.mark.parametrize(
    ("wanted", "risk", "more"), [("0.2", "0.2", {}), ("0.05", "0.2", {}), ("0", "1", {})]
)
def test_all_lines_but_the_last_sum_to_the_last(wanted: str, risk: str, more: dict[str, str]) -> None:
    *rest, last = ceiling(wanted, risk, **more).steps
    assert sum(step.amount for step in rest) == last.amount


def test_terms_that_do_not_hold_even_where_nothing_is_paid() -> None:
    found = ceiling("0.2", work="7000")
    assert (found.most_to_pay, found.set_by) == (D("0.00"), NOTHING)
    # 6250 − 500 − 625 − 7150 · growth is missing; the lines say how much.
    missing = D(6250) - D(500) - D(625) - D(7150) - cent(D(7150) * (GROWTH - 1))
    assert lines(found)["kept_back"] == -missing > 0
    assert sum(step.amount for step in found.steps[:-1]) == 0
    assert found.deal.expected_margin is None


def test_a_currency_without_cents_is_paid_in_whole_units() -> None:
    found = ceiling_of(Resale(np.array(PRICES, np.float64)), terms("0.2"), "JPY")
    assert found.most_to_pay == D(4252)
    assert {step.amount.as_tuple().exponent for step in found.steps} == {0}


@pytest.mark.parametrize("name", ["expected_resale", "selling_fee", "tax", "cost_of_money", "wanted_margin"])
@pytest.mark.parametrize("wanted", ["0.2", "0.05"])
def test_the_document_shows_these_amounts(name: str, wanted: str) -> None:
    amount = abs(lines(ceiling(wanted))[name])
    assert f"{amount:,}" in DOCUMENT, f"{name}: {amount:,}"


def test_the_document_shows_both_prices() -> None:
    for amount in ("4,252.35", "4,328.44", "1.0392", "5,148.30"):
        assert amount in DOCUMENT, amount
