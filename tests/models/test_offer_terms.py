"""Terms of an offer as they are read: each bound, and every fault at once."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from models.decisions.terms import TERMS, OfferTerms, read_terms, written_terms
from models.errors import InputError

NEEDED = {"wanted_margin_rate": "0.2", "accepted_risk_of_loss": "0.1"}


def faults(data: Any, currency: str = "USD") -> list[str]:
    with pytest.raises(InputError) as found:
        read_terms(data, currency)
    return [fault.field for fault in found.value.faults]


def test_all_but_two_can_be_left_out_and_then_are_nothing() -> None:
    assert read_terms(NEEDED, "USD") == OfferTerms(Decimal("0.2"), Decimal("0.1"))
    assert read_terms({**NEEDED, "work": None}, "USD").work == 0
    assert faults({}) == ["terms.wanted_margin_rate", "terms.accepted_risk_of_loss"]


@pytest.mark.parametrize("value", ["6", 6, 6.0])
def test_a_number_is_decimal_text_or_a_number(value: Any) -> None:
    assert read_terms({**NEEDED, "months_to_sell": value}, "USD").months_to_sell == 6


@pytest.mark.parametrize("name", TERMS)
@pytest.mark.parametrize("value", ["", " 1", "1,5", "-0.1", "1e3", "x", True, [], {}, -1, 1e13, float("nan")])
def test_what_is_no_value_of_a_term_is_refused_by_its_name(name: str, value: Any) -> None:
    assert faults({**NEEDED, name: value}) == [f"terms.{name}"]


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        ("selling_fee_rate", "0.99", "1"),
        ("tax_rate", "0.99", "1"),
        ("months_to_sell", "120", "121"),
        ("cost_of_money_rate", "1", "1.01"),
        ("wanted_margin_rate", "10", "10.1"),
        ("accepted_risk_of_loss", "0.005", "0.004"),
        ("accepted_risk_of_loss", "1", "1.01"),
    ],
)
def test_each_bound(name: str, good: str, bad: str) -> None:
    assert getattr(read_terms({**NEEDED, name: good}, "USD"), name) == Decimal(good)
    assert faults({**NEEDED, name: bad}) == [f"terms.{name}"]


def test_fees_and_tax_leave_something_of_the_resale() -> None:
    assert faults({**NEEDED, "selling_fee_rate": "0.5", "payment_fee_rate": "0.3", "tax_rate": "0.2"})
    read_terms({**NEEDED, "selling_fee_rate": "0.5", "payment_fee_rate": "0.3", "tax_rate": "0.19"}, "USD")


def test_amounts_are_no_finer_than_their_currency() -> None:
    assert read_terms({**NEEDED, "work": "1.5"}, "USD").work == Decimal("1.5")
    assert faults({**NEEDED, "work": "1.005"}) == ["terms.work"]
    assert faults({**NEEDED, "shipping": "1.5"}, "JPY") == ["terms.shipping"]
    assert read_terms({**NEEDED, "months_to_sell": "1.125"}, "JPY").months_to_sell == Decimal("1.125")


def test_a_stranger_is_told_with_the_name_that_may_be_meant() -> None:
    with pytest.raises(InputError) as found:
        read_terms({**NEEDED, "seling_fee_rate": "0.1"}, "USD")
    (fault,) = found.value.faults
    assert (fault.field, fault.suggestions) == ("terms.seling_fee_rate", ("selling_fee_rate",))


def test_terms_are_written_as_they_are_read() -> None:
    read = read_terms({**NEEDED, "work": "120.50", "tax_rate": 1e-7}, "USD")
    assert written_terms(read)["tax_rate"] == "0.0000001"
    assert read_terms(written_terms(read), "USD") == read


def test_amounts_are_exchanged_and_rates_are_not() -> None:
    read = read_terms({**NEEDED, "work": "100", "shipping": "50.05"}, "EUR").exchanged(1.1, "USD")
    assert (read.work, read.shipping, read.wanted_margin_rate) == (
        Decimal("110.00"),
        Decimal("55.06"),  # 55.055, half up
        Decimal("0.2"),
    )


def test_money_grows_with_the_power_of_the_months() -> None:
    assert read_terms(
        {**NEEDED, "months_to_sell": "24", "cost_of_money_rate": "0.1"}, "USD"
    ).growth == Decimal("1.21")
