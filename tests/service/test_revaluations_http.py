"""/v1/revaluations and the history of an item's values, over HTTP."""

from __future__ import annotations

from typing import Any

import pytest
from apps import caller_of
from asking import Caller
from flask import Flask
from stock_ground import change, promote, put, revaluation, stock_of, thing, things, today

from service.inventory.records import dumped
from service.inventory.revaluing import begin_due, now_in_utc, run

PATH = "/v1/revaluations"


@pytest.fixture
def buyer(stock_app: Flask) -> Caller:
    return caller_of(stock_app, "inventory")


def test_a_revaluation_is_taken_at_once_and_followed(stock_app: Flask, buyer: Caller) -> None:
    put(stock_app, things(3))
    taken = buyer.post(PATH, {})
    assert taken.status_code == 202
    where = taken.headers["Location"]
    assert where == f"{PATH}/{taken.json['id']}"
    waits = buyer.get(where)
    assert waits.json == taken.json and waits.headers["ETag"]
    assert (waits.json["state"], waits.json["reason"], waits.json["filter"]) == ("waiting", "asked", {})
    assert (waits.json["started"], waits.json["finished"], waits.json["price_model"]) == (None, None, None)
    run(stock_of(stock_app), rest=0)
    done = buyer.get(where).json
    assert (done["state"], done["total"], done["done"], done["failed"]) == ("done", 3, 3, 0)
    assert done["valued_on"] == today().isoformat() and done["finished"] >= done["started"]
    assert revaluation(stock_app, done["id"]).key_id


def test_the_same_name_begins_one(stock_app: Flask, buyer: Caller) -> None:
    named = {"Idempotency-Key": "tonight"}
    first, second = (buyer.post(PATH, {}, **named) for _ in range(2))
    assert first.json == second.json and second.status_code == 202
    assert len(buyer.get(PATH).json["revaluations"]) == 1
    other = buyer.post(PATH, {"filter": {"failed": True}}, **named)
    assert other.status_code == 422


def test_a_filter_chooses_the_items(stock_app: Flask, buyer: Caller) -> None:
    put(stock_app, [thing("A"), thing("B", asking="9000"), thing("C", "Dal")])
    wanted = {
        "status": ["in_stock", "reserved"],
        "channel": ["private"],
        "evidence": ["few"],
        "maker": "OSTVIK",
        "model": "Fjell 2",
        "over_priced": 20,
        "failed": False,
    }
    taken = buyer.post(PATH, {"filter": wanted}).json
    assert taken["filter"] == wanted
    run(stock_of(stock_app), rest=0)
    assert buyer.get(f"{PATH}/{taken['id']}").json["total"] == 1
    assert [len(buyer.get(f"/v1/items/{number}/history").json["values"]) for number in "ABC"] == [1, 2, 1]


@pytest.mark.parametrize(
    ("wanted", "pointer"),
    [
        ([], "#/filter"),
        ({"statos": None}, "#/filter/statos"),
        ({"status": "in_stock"}, "#/filter/status"),
        ({"status": ["lost"]}, "#/filter/status"),
        ({"status": [["sold"]]}, "#/filter/status"),
        ({"status": []}, "#/filter/status"),
        ({"maker": 3}, "#/filter/maker"),
        ({"model": " "}, "#/filter/model"),
        ({"model": "a\u0000"}, "#/filter/model"),
        ({"over_priced": "20"}, "#/filter/over_priced"),
        ({"over_priced": True}, "#/filter/over_priced"),
        ({"under_priced": 101}, "#/filter/under_priced"),
        ({"aged": 1.5}, "#/filter/aged"),
        ({"aged": -1}, "#/filter/aged"),
        ({"bought_before": "2026-02-30"}, "#/filter/bought_before"),
        ({"bought_before": "yesterday"}, "#/filter/bought_before"),
        ({"moved_by": 5}, "#/filter/moved_since"),
        ({"moved_since": "2026-01-02"}, "#/filter/moved_by"),
        ({"failed": "yes"}, "#/filter/failed"),
        ({"maker": "Nobody"}, "#/filter/maker"),
        ({"model": "Nothing"}, "#/filter/model"),
        ({"maker": "Ostvik", "model": "Nothing"}, "#/filter/model"),
        ({"colour": "red"}, "#/filter/colour"),
    ],
)
def test_a_wrong_filter_is_refused_by_name(shared_app: Flask, wanted: Any, pointer: str) -> None:
    refused = caller_of(shared_app, "inventory").post(PATH, {"filter": wanted})
    assert refused.status_code == 422
    assert [error["pointer"] for error in refused.json["errors"]] == [pointer]


def test_a_misspelt_filter_is_told_the_nearest(shared_app: Flask) -> None:
    refused = caller_of(shared_app, "inventory").post(PATH, {"filter": {"moved_sinse": "2026-01-02"}})
    assert refused.json["errors"][0]["suggestions"] == ["moved_since"]
    other = caller_of(shared_app, "inventory").post(PATH, {"items": []})
    assert (other.status_code, other.json["errors"][0]["pointer"]) == (422, "#/items")


def test_what_a_filter_says_in_other_letters_or_as_text_is_read_or_told(shared_app: Flask) -> None:
    buyer = caller_of(shared_app, "inventory")
    taken = buyer.post(PATH, {"filter": {"status": ["In_Stock"], "channel": [" Dealer"]}})
    assert taken.json["filter"] == {"status": ["in_stock"], "channel": ["dealer"]}
    refused = buyer.post(PATH, {"filter": {"aged": "30", "failed": "True", "maker": "Ostvic"}})
    assert [(one["field"], one["next_step"]) for one in refused.json["errors"]] == [
        ("filter.aged", "send 30 without quotes"),
        ("filter.failed", "send true without quotes"),
        ("filter.maker", "did you mean Ostvik?"),
    ]


def test_one_that_is_taken_has_the_tag_that_get_gives(shared_app: Flask) -> None:
    buyer = caller_of(shared_app, "inventory")
    taken = buyer.post(PATH, {"filter": {"status": ["sold"]}})
    got = buyer.get(taken.headers["Content-Location"])
    assert (taken.data, taken.headers["ETag"]) == (got.data, got.headers["ETag"])


def test_pages_of_revaluations_lead_through_all_of_them(stock_app: Flask, buyer: Caller) -> None:
    made = [buyer.post(PATH, {}).json["id"] for _ in range(5)]
    found, path = [], f"{PATH}?limit=2"
    while path:
        page = buyer.get(path)
        found += [one["id"] for one in page.json["revaluations"]]
        path = page.headers.get("Link", "").partition(">")[0].lstrip("<")
    assert found == made[::-1]


def test_one_that_began_by_itself_is_listed(stock_app: Flask, buyer: Caller) -> None:
    put(stock_app, things(1))
    promote(stock_app)
    began = begin_due(stock_of(stock_app))
    shown = buyer.get(PATH).json["revaluations"][0]
    assert (shown["id"], shown["reason"]) == (began, "price_model")


def test_the_history_says_why_each_value_moved(stock_app: Flask, buyer: Caller) -> None:
    """By hand: exp(8) = 2980.96 dollars; then exp(8.05 − .2) = 2565.73 dollars, at 1.1 a euro 2332.49 euros.

    The first value is 2709.96 euros at that rate. The mean of the two is 2516.51, times .05 and −.2.
    """
    put(stock_app, [thing("A/1", condition_neck=0.0)], days_ago=0)
    promote(stock_app, 8.05)
    worn = thing("A/1", condition_neck=2.0).columns()["instrument"]
    change(stock_app, "A/1", instrument=worn, asking=dumped({"amount": "2000", "currency": "EUR"}))
    taken = buyer.post(PATH, {}).json
    run(stock_of(stock_app), rest=0)
    page = buyer.get("/v1/items/A%2F1/history")
    assert page.status_code == 200 and page.headers["ETag"]
    assert page.json["stock_number"] == "A/1"
    last, first = page.json["values"]
    euros = {"currency": "EUR"}
    assert last["value"] == {"amount": "2332.49", **euros}
    assert last["before"] == {"amount": "2709.96", **euros} and last["restated_from"] == "USD"
    assert last["difference"] == {"amount": "-377.47", **euros}
    assert last["why"] == [
        {"cause": "price_model", "field": None, "amount": "125.83"},
        {"cause": "field", "field": "condition.neck", "amount": "-503.30"},
    ]
    assert last["revaluation"] == taken["id"]
    assert (first["before"], first["difference"], first["why"], first["revaluation"]) == (
        None,
        None,
        [],
        None,
    )
    assert first["intervals"][0]["level"] and first["version"] == 1


def test_pages_of_a_history_lead_through_all_of_it(stock_app: Flask, buyer: Caller) -> None:
    put(stock_app, things(2))
    for base in (8.1, 8.2, 8.3):
        promote(stock_app, base)
        buyer.post(PATH, {})
        run(stock_of(stock_app), rest=0)
    found, path = [], "/v1/items/G-00001/history?limit=3"
    while path:
        page = buyer.get(path)
        found += [one["value"]["amount"] for one in page.json["values"]]
        path = page.headers.get("Link", "").partition(">")[0].lstrip("<")
    assert found == ["4023.87", "3640.95", "3294.47", "2980.96"]  # exp of 8.3, 8.2, 8.1 and 8


def test_what_is_not_there(stock_app: Flask, buyer: Caller) -> None:
    put(stock_app, things(1))
    change(stock_app, "G-00000", deleted=now_in_utc())
    assert buyer.get(f"{PATH}/rev_{'0' * 26}").status_code == 404
    assert buyer.get("/v1/items/nope/history").status_code == 404
    assert buyer.get("/v1/items/G-00000/history").status_code == 410
