"""One item over HTTP: put, shown, changed and deleted, each under its condition."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from asking import Caller, assert_problem, faults_of
from item_bodies import DAL, ITEM, ITEM_VALUE, names, put
from item_bodies import stock as stock  # a fixture

TODAY = datetime.now(UTC).date().isoformat()


def test_an_item_is_kept_valued_and_given_back(stock: Caller) -> None:
    made = put(stock, "2025/017")
    assert made.status_code == 201 and made.headers["Location"] == "/v1/items/2025/017"
    body = dict(made.json)
    assert {name: body[name] for name in ("value", "valued_on", "evidence", "failure", "version")} == {
        "value": ITEM_VALUE,
        "valued_on": TODAY,
        "evidence": "many",
        "failure": None,
        "version": 1,
    }
    said = {
        **ITEM,
        "instrument": {"maker": "Ostvik", "model": "Dal", "condition": {"neck": 2.0}},
        "cost": {"amount": "1200.00", "currency": "EUR"},
        "asking": {"amount": "2500.50", "currency": "EUR"},
    }
    assert {name: body[name] for name in said} == said
    assert [one["level"] for one in body["intervals"]] == [0.5, 0.8, 0.9, 0.95]
    detail = body["detail"]
    amounts = [float(one["amount"]) for one in detail["reasons"]]
    assert float(detail["reference_value"]) + sum(amounts) == pytest.approx(2110.52)
    shown = stock.get("/v1/items/2025/017")
    assert shown.json == body and shown.headers["ETag"] == made.headers["ETag"]


def test_the_same_again_changes_nothing(stock: Caller) -> None:
    made = put(stock, "A")
    again = put(stock, "A", asking={"amount": "2500.50", "currency": "eur"})
    assert again.status_code == 200 and again.json == made.json
    assert stock.get("/v1/items/changes").json["next"] == "1"


def test_a_change_of_the_price_alone_keeps_the_value_and_moves_the_ratio(stock: Caller) -> None:
    put(stock, "A")
    assert names(stock, "?over_priced=18") == ["A"]
    changed = put(stock, "A", asking={"amount": "2110.52", "currency": "EUR"})
    assert changed.json["version"] == 2 and changed.json["value"] == ITEM_VALUE
    assert names(stock, "?over_priced=0") == [] == names(stock, "?under_priced=0")


def test_what_is_left_out_is_not_known(stock: Caller) -> None:
    put(stock, "A")
    bare = stock.ask("put", "/v1/items/A", {"instrument": DAL}).json
    assert bare["cost"] is bare["asking"] is bare["bought"] is None and bare["extra"] == {}
    assert (bare["channel"], bare["status"]) == ("private", "in_stock")
    assert bare["value"] == {"amount": "2440.60", "currency": "USD"}


def test_conditions_of_a_change(stock: Caller) -> None:
    made = put(stock, "A")
    anew = stock.ask("put", "/v1/items/A", ITEM, **{"If-None-Match": "*"})
    assert_problem(anew, 412, "precondition")
    assert stock.ask("put", "/v1/items/B", ITEM, **{"If-None-Match": "*"}).status_code == 201
    tag = {"If-Match": made.headers["ETag"]}
    sold = {**ITEM, "status": "sold"}
    assert stock.ask("put", "/v1/items/A", sold, **tag).json["status"] == "sold"
    assert_problem(stock.ask("put", "/v1/items/A", ITEM, **tag), 412, "precondition")
    assert_problem(stock.ask("put", "/v1/items/C", ITEM, **tag), 412, "precondition")
    assert_problem(stock.ask("delete", "/v1/items/A", **tag), 412, "precondition")
    assert stock.get("/v1/items/A").json["status"] == "sold"


def test_a_deleted_item_is_gone_until_it_is_put_again(stock: Caller) -> None:
    assert_problem(stock.get("/v1/items/A"), 404, "record")
    put(stock, "A")
    gone = stock.ask("delete", "/v1/items/A")
    assert gone.status_code == 200 and gone.json["stock_number"] == "A"
    assert_problem(stock.get("/v1/items/A"), 410, "item-deleted")
    assert_problem(stock.ask("delete", "/v1/items/A"), 410, "item-deleted")
    assert names(stock) == []
    back = put(stock, "A")
    assert back.status_code == 201 and back.json["version"] == 3 and back.json["value"] == ITEM_VALUE


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"instrument": {"maker": "Nobody", "model": "Dal"}}, "#/instrument/maker"),
        ({"instrument": {"maker": "Ostvik", "model": "Dall"}}, "#/instrument/model"),
        ({"instrument": None}, "#/instrument"),
        ({"instrument": {**DAL, "condition": {"neck": 9}}}, "#/instrument/condition/neck"),
        ({"cost": "1200"}, "#/cost"),
        ({"cost": {"amount": 1200, "currency": "EUR"}}, "#/cost/amount"),
        ({"cost": {"amount": "1200.001", "currency": "EUR"}}, "#/cost/amount"),
        ({"cost": {"amount": "1", "currency": "CHF"}}, "#/cost/currency"),
        ({"cost": {"amount": "1", "currency": "EUR", "tax": "1"}}, "#/cost/tax"),
        ({"asking": {"amount": "0", "currency": "EUR"}}, "#/asking/amount"),
        ({"bought": "2099-01-01"}, "#/bought"),
        ({"bought": 2025}, "#/bought"),
        ({"bought": ""}, "#/bought"),
        ({"status": ""}, "#/status"),
        ({"channel": "moon"}, "#/channel"),
        ({"status": "lost"}, "#/status"),
        ({"value": {"amount": "1", "currency": "EUR"}}, "#/value"),
        ({"extra": []}, "#/extra"),
        ({"extra": {"a": {"b": 1}}}, "#/extra/a"),
        ({"extra": {"a": "x" * 1001}}, "#/extra/a"),
        ({"extra": {"a": "\x00"}}, "#/extra/a"),
        ({"extra": {"a": 2**53}}, "#/extra/a"),
        ({"extra": {" a": 1}}, "#/extra"),
        ({"extra": {str(n): 1 for n in range(51)}}, "#/extra"),
        ({"extra": {str(n): "x" * 900 for n in range(9)}}, "#/extra"),
    ],
)
def test_each_wrong_member_is_refused_with_its_place(
    stock: Caller, changes: dict[str, Any], pointer: str
) -> None:
    assert set(faults_of(put(stock, "A", **changes))) == {pointer}
    assert names(stock) == []


@pytest.mark.parametrize("number", ["a/../b", "a//b", "x" * 101, "a%0Ab", "%20a", "a/"])
def test_numbers_that_cannot_be_part_of_an_address(stock: Caller, number: str) -> None:
    assert set(faults_of(put(stock, number))) == {"#/stock_number"}


def test_the_address_of_changes_is_no_item(stock: Caller) -> None:
    refused = put(stock, "changes")
    assert refused.status_code == 405 and set(refused.headers["Allow"].split(", ")) == {
        "GET",
        "HEAD",
        "OPTIONS",
    }
    assert put(stock, "changes-1").status_code == put(stock, "x/changes").status_code == 201


def test_a_number_in_the_body_is_that_of_the_path(stock: Caller) -> None:
    assert put(stock, "A", stock_number="A").status_code == 201
    assert set(faults_of(put(stock, "A", stock_number="B"))) == {"#/stock_number"}


@pytest.mark.parametrize(
    ("cost", "problem", "step"),
    [
        (
            {"amount": 1200.5, "currency": "EUR"},
            "is not such an amount",
            'send it as text, in quotes: "1200.5"',
        ),
        (
            {"amount": "1,200.50", "currency": "EUR"},
            "is not such an amount",
            "write digits and a decimal point only, as 1200.50",
        ),
        ({"currency": "EUR"}, "is required beside the currency", "send both or neither"),
    ],
)
def test_a_wrong_amount_is_told_how_to_write_it(stock: Caller, cost: Any, problem: str, step: str) -> None:
    (fault,) = faults_of(put(stock, "A", cost=cost)).values()
    assert (fault["problem"], fault["next_step"]) == (problem, step)


def test_every_fault_says_what_to_do(stock: Caller) -> None:
    wrong = {"bought": "2999-01-01", "status": "sodl", "channel": "moon", "asking": {"amount": True}}
    found = faults_of(put(stock, "A", **wrong))
    assert {name: fault["next_step"] for name, fault in found.items() if name != "#/asking/currency"} == {
        "#/bought": "correct it",
        "#/status": "did you mean sold?",
        "#/channel": "use one of the allowed terms",
        "#/asking/amount": "correct it",
    }
