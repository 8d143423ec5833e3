"""Offers over HTTP: the answer, what it takes, and each refusal with its pointer."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from apps import caller_of
from asking import Caller, assert_problem, faults_of
from flask import Flask

PATH = "/v1/offers"
DAL = {"maker": "Ostvik", "model": "Dal"}
NEEDED = {"wanted_margin_rate": "0.2", "accepted_risk_of_loss": "0.2"}
TERMS = {**NEEDED, "selling_fee_rate": "0.05", "shipping": "150.00", "work": "120", "months_to_sell": 6}
BODY: dict[str, Any] = {"instrument": DAL, "date": "2026-01-02", "currency": "USD", "terms": TERMS}


@pytest.fixture
def buyer(shared_app: Flask) -> Caller:
    return caller_of(shared_app, "inventory")


def offered(buyer: Caller, **more: Any) -> dict[str, Any]:
    found = buyer.post(PATH, {**BODY, **more})
    assert found.status_code == 200, found.text
    answer: dict[str, Any] = found.json
    return answer


def test_an_offer_has_its_arithmetic(buyer: Caller) -> None:
    found = offered(buyer)
    *rest, last = found["steps"]
    assert sum(Decimal(step["amount"]) for step in rest) == Decimal(last["amount"])
    assert last == {"name": "most_to_pay", "amount": found["most_to_pay"], "text": "the most to pay"}
    assert found["steps"][0] == {
        "name": "expected_resale",
        "amount": found["expected_resale"],
        "text": "the mean of all resale prices that the price model expects",
    }
    assert Decimal(found["most_to_pay"]) < Decimal(found["value"]) < Decimal(found["expected_resale"])
    assert (found["tax_on"], found["asked"], found["set_by"]) == ("margin", None, "risk")
    assert found["terms"]["months_to_sell"] == "6" and found["terms"]["tax_rate"] == "0"
    assert (found["date"], found["sold_on"], found["channel"]) == ("2026-01-02", "2026-07-04", "private")


def test_the_terms_decide(buyer: Caller) -> None:
    """A fee of a tenth takes a tenth of the price at which a fifth of resales lose."""
    alone = {"wanted_margin_rate": "0", "accepted_risk_of_loss": "0.2"}
    plain = Decimal(offered(buyer, terms=alone)["most_to_pay"])
    charged = Decimal(offered(buyer, terms={**alone, "payment_fee_rate": "0.1"})["most_to_pay"])
    assert abs(charged - plain * Decimal("0.9")) <= Decimal("0.01")


def test_an_asked_price_is_set_against_it(buyer: Caller) -> None:
    found = offered(buyer, asked={"amount": "2000.00", "currency": "EUR", "channel": "dealer"})
    asked = found["asked"]
    assert asked["amount"] == "2200.00"  # 1.1 dollars a euro
    assert asked["walk_away"] == found["most_to_pay"]
    assert Decimal(asked["over"]) == Decimal("2200.00") - Decimal(found["most_to_pay"])
    assert sum(Decimal(step["amount"]) for step in asked["steps"]) == Decimal(asked["profit"]["expected"])
    assert asked["came_down_to"] is None  # one asking price is too few


def test_parts_are_put_right(buyer: Caller) -> None:
    it = {**DAL, "originality": {"pickups": "modern"}}
    found = offered(buyer, instrument=it, costs={"originality": {"pickups": "240.00"}})
    assert found["costs"] == [
        {"field": "originality.pickups", "now": "modern", "then": "period", "cost": "240.00"}
    ]
    assert found["terms"]["work"] == "360.00"
    assert Decimal(found["gain"]) > 0


def test_the_channel_is_that_of_the_resale(buyer: Caller) -> None:
    # The fake takes a twentieth off at a dealer's.
    private, dealer = (Decimal(offered(buyer, channel=c)["value"]) for c in ("private", "dealer"))
    assert dealer < private


@pytest.mark.parametrize(
    ("more", "pointers"),
    [
        ({"instrument": None}, {"#/instrument"}),
        ({"currency": None}, {"#/currency"}),
        ({"currency": "ZZZ"}, {"#/currency"}),
        ({"terms": None}, {"#/terms"}),
        ({"terms": []}, {"#/terms"}),
        ({"terms": {}}, {"#/terms/wanted_margin_rate", "#/terms/accepted_risk_of_loss"}),
        ({"terms": {**NEEDED, "tax_rate": "1"}}, {"#/terms/tax_rate"}),
        ({"terms": {**NEEDED, "shiping": "1"}}, {"#/terms/shiping"}),
        ({"terms": {**NEEDED, "work": "0.001"}}, {"#/terms/work"}),
        ({"terms": {**NEEDED, "selling_fee_rate": "0.9", "tax_rate": "0.1"}}, {"#/terms/selling_fee_rate"}),
        ({"terms_name": "retail"}, {"#/terms_name"}),
        ({"terms": None, "terms_name": "nowhere"}, {"#/terms_name"}),
        ({"terms": None, "terms_name": "a\0b"}, {"#/terms_name"}),
        ({"asked": "2000"}, {"#/asked"}),
        ({"asked": {}}, {"#/asked/amount", "#/asked/currency"}),
        ({"asked": {"amount": "0", "currency": "USD"}}, {"#/asked/amount"}),
        ({"asked": {"amount": "1.005", "currency": "USD"}}, {"#/asked/amount"}),
        ({"asked": {"amount": "1", "currency": "ZZZ"}}, {"#/asked/currency"}),
        ({"asked": {"amount": "1", "currency": "USD", "channel": "moon"}}, {"#/asked/channel"}),
        ({"asked": {"amount": "1", "currency": "USD", "chanel": "private"}}, {"#/asked/chanel"}),
        ({"date": "2019-01-02", "asked": {"amount": "1", "currency": "EUR"}}, {"#/asked/currency"}),
        ({"date": "2019-01-02", "currency": "EUR"}, {"#/currency"}),
        ({"costs": {"originality.pickups": "1"}}, {"#/costs/originality.pickups"}),
        ({"costs": {"condition": {"neck": "1"}}}, {"#/costs/condition/neck"}),
        ({"chanel": "private"}, {"#/chanel"}),
        ({"channel": "moon"}, {"#/channel"}),
    ],
)
def test_each_refusal_has_its_pointer(buyer: Caller, more: dict[str, Any], pointers: set[str]) -> None:
    assert set(faults_of(buyer.post(PATH, {**BODY, **more}))) == pointers


def test_all_faults_are_told_at_once(buyer: Caller) -> None:
    wrong = {"instrument": {**DAL, "year": 1}, "terms": {**NEEDED, "work": "-1"}, "asked": {"amount": 1}}
    found = set(faults_of(buyer.post(PATH, {**BODY, **wrong})))
    assert found == {"#/instrument/year", "#/terms/work", "#/asked/currency"}


def test_an_amount_with_a_comma_is_told_how_to_write_it(buyer: Caller) -> None:
    wrong = {"terms": {**NEEDED, "work": "1,200"}, "asked": {"amount": "2.900,00", "currency": "USD"}}
    found = faults_of(buyer.post(PATH, {**BODY, **wrong}))
    plain = "write digits and a decimal point only, as 1200.50"
    assert {name: fault["next_step"] for name, fault in found.items()} == {
        "#/terms/work": plain,
        "#/asked/amount": plain,
    }


def test_an_unknown_model_is_refused_with_the_nearest_names(buyer: Caller) -> None:
    found = buyer.post(PATH, {**BODY, "instrument": {"maker": "Ostvik", "model": "Dahl"}})
    assert faults_of(found)["#/instrument/model"]["suggestions"] == ["Dal"]


def test_a_key_without_the_scope_is_refused(shared_app: Flask) -> None:
    assert_problem(caller_of(shared_app, "valuations").post(PATH, BODY), 403, "scope")
