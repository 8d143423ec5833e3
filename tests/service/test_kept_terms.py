"""Terms kept under names: kept, changed, listed and removed, on both databases; used by an offer."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from urllib.parse import quote

import pytest
from apps import caller_of, parts
from asking import Caller, assert_problem, faults_of
from flask import Flask
from sqlalchemy import delete

from service.api.offers import terms as kept_terms
from service.db.engine import writing
from service.db.item_tables import OFFER_TERMS

PATH = "/v1/offer-terms"
TERMS = {"wanted_margin_rate": "0.25", "accepted_risk_of_loss": "0.1", "work": "110.00"}
BODY = {"currency": "EUR", "terms": TERMS}
DAL = {"instrument": {"maker": "Ostvik", "model": "Dal"}, "date": "2026-01-02"}


@pytest.fixture
def buyer(shared_app: Flask) -> Caller:
    with writing(parts(shared_app).engine) as connection:
        connection.execute(delete(OFFER_TERMS))
    return caller_of(shared_app, "inventory")


def keep(buyer: Caller, name: str, body: Any = BODY, **headers: str) -> Any:
    return buyer.ask("put", f"{PATH}/{quote(name, safe='')}", body, **headers)


def test_what_is_kept_is_shown_changed_and_removed(buyer: Caller) -> None:
    made = keep(buyer, "retail")
    assert made.status_code == 201
    assert made.json["terms"]["wanted_margin_rate"] == "0.25" and made.json["terms"]["tax_rate"] == "0"
    assert made.headers["Content-Location"] == f"{PATH}/retail"
    shown = buyer.get(f"{PATH}/retail")
    assert shown.json == made.json and shown.headers["ETag"] == made.headers["ETag"]
    changed = keep(buyer, "retail", {"currency": "USD", "terms": {**TERMS, "work": "7"}})
    assert (changed.status_code, changed.json["currency"], changed.json["terms"]["work"]) == (
        200,
        "USD",
        "7.00",
    )
    assert changed.json["created"] == made.json["created"]
    assert buyer.ask("delete", f"{PATH}/retail").json == changed.json
    assert_problem(buyer.get(f"{PATH}/retail"), 404, "record")
    assert_problem(buyer.ask("delete", f"{PATH}/retail"), 404, "record")


def test_a_change_of_what_has_changed_is_refused(buyer: Caller) -> None:
    tag = keep(buyer, "retail").headers["ETag"]
    assert keep(buyer, "retail", {**BODY, "currency": "USD"}, **{"If-Match": tag}).status_code == 200
    assert_problem(keep(buyer, "retail", BODY, **{"If-Match": tag}), 412, "precondition")
    assert_problem(buyer.ask("delete", f"{PATH}/retail", **{"If-Match": tag}), 412, "precondition")
    assert_problem(keep(buyer, "new", BODY, **{"If-Match": tag}), 412, "precondition")
    assert buyer.get(f"{PATH}/retail").json["currency"] == "USD"


def test_lists_come_in_pages_in_the_order_in_which_they_were_kept(buyer: Caller) -> None:
    names = ["z", "a b", "ü&?"]
    for name in names:
        assert keep(buyer, name).status_code == 201
    keep(buyer, "z", {**BODY, "currency": "USD"})  # a change keeps its place
    found, path = [], f"{PATH}?limit=2"
    while path:
        page = buyer.get(path)
        found += [one["name"] for one in page.json["offer_terms"]]
        path = page.headers.get("Link", "").partition(">")[0].removeprefix("<")
    assert found == names
    assert buyer.get(f"{PATH}/{quote('ü&?')}").json["name"] == "ü&?"


def test_all_keys_with_the_scope_share_them(buyer: Caller, shared_app: Flask) -> None:
    keep(buyer, "retail")
    assert caller_of(shared_app, "inventory").get(f"{PATH}/retail").status_code == 200
    assert_problem(caller_of(shared_app, "valuations").get(f"{PATH}/retail"), 403, "scope")


def test_an_offer_takes_them_by_name_and_converts_their_amounts(buyer: Caller) -> None:
    keep(buyer, "retail")
    named = buyer.post("/v1/offers", {**DAL, "currency": "USD", "terms_name": "retail"})
    assert named.status_code == 200
    assert named.json["terms"]["work"] == "121.00"  # 110 euros at 1.1 dollars
    sent = buyer.post("/v1/offers", {**DAL, "currency": "USD", "terms": {**TERMS, "work": "121.00"}})
    assert named.json == sent.json
    same = buyer.post("/v1/offers", {**DAL, "currency": "EUR", "terms_name": "retail"})
    assert Decimal(same.json["terms"]["work"]) == 110


def test_a_name_that_is_not_kept_is_told_with_near_ones(buyer: Caller) -> None:
    keep(buyer, "retail")
    found = buyer.post("/v1/offers", {**DAL, "currency": "USD", "terms_name": "retial"})
    assert faults_of(found)["#/terms_name"]["suggestions"] == ["retail"]


def test_terms_in_a_currency_without_a_rate_that_day_are_refused(buyer: Caller) -> None:
    keep(buyer, "retail")
    body = {**DAL, "date": "2019-01-02", "currency": "USD", "terms_name": "retail"}
    assert set(faults_of(buyer.post("/v1/offers", body))) == {"#/terms_name"}


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"terms": TERMS}, "#/currency"),
        ({"currency": "USD"}, "#/terms"),
        ({"currency": "USD", "terms": None}, "#/terms"),
        ({**BODY, "name": "x"}, "#/name"),
        ({**BODY, "terms": {**TERMS, "work": "1.005"}}, "#/terms/work"),
        ({**BODY, "terms": {**TERMS, "accepted_risk_of_loss": "0"}}, "#/terms/accepted_risk_of_loss"),
    ],
)
def test_each_refusal_has_its_pointer(buyer: Caller, body: Any, pointer: str) -> None:
    assert set(faults_of(keep(buyer, "wrong", body))) == {pointer}


@pytest.mark.parametrize("name", ["a\0b", "a\nb", "x" * 81, " "])
def test_a_name_that_no_database_holds_is_refused(buyer: Caller, name: str) -> None:
    assert_problem(keep(buyer, name), 422, "fields")
    assert_problem(buyer.get(f"{PATH}/{quote(name, safe='')}"), 404, "record")


def test_there_is_room_for_so_many(buyer: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_terms, "MOST_OFFER_TERMS", 1)
    assert keep(buyer, "one").status_code == 201
    assert_problem(keep(buyer, "two"), 422, "fields")
    assert keep(buyer, "one").status_code == 200
