"""Portfolios over HTTP: the totals, what is left out, and each refusal with its pointer."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from apps import caller_of, keys_of, parts
from asking import Caller, assert_problem, faults_of
from flask import Flask
from kept_items import keep_items

from models.domain.instrument import Instrument
from models.domain.money import Amount
from service.db.engine import writing
from service.inventory import feed
from service.inventory.records import Item, delete, item_of

PATH = "/v1/portfolios"
NOW = datetime.now(UTC)
DAL, FJELL = Instrument("Ostvik", "Dal"), Instrument("Ostvik", "Fjell 2")
ITEMS = [
    Item("P-1", DAL, Amount("1000.00", "EUR"), Amount("2500.00", "USD"), date(2020, 1, 2)),
    Item("P-2", FJELL, Amount("500.00", "USD"), None, NOW.date() - timedelta(days=30)),
    Item("P-3", Instrument("Séraphine & Fils", "Étoile"), status="reserved"),
    Item("P-4", DAL, status="sold"),
    Item("P-5", Instrument("Ostvik", "Nobody knows it")),
]


@pytest.fixture
def dealer(own_app: Flask) -> Caller:
    """A dealer whose stock is `ITEMS`."""
    caller = caller_of(own_app, "inventory")
    keep_items(own_app, *ITEMS, Item("P-6", DAL))
    key = keys_of(own_app).create("another", ["inventory"])[0]
    with writing(parts(own_app).engine) as connection:
        feed.lock(connection)
        delete(connection, item_of(connection, "P-6"), key, NOW)
        feed.record(connection, [("P-6", feed.DELETED)])
    return caller


def asked(dealer: Caller, **body: Any) -> dict[str, Any]:
    found = dealer.post(PATH, body)
    assert found.status_code == 200, found.text
    answer: dict[str, Any] = found.json
    return answer


def test_what_is_in_stock_and_reserved_counts(dealer: Caller) -> None:
    found = asked(dealer, levels=[0.5, 0.9])
    total = found["total"]
    assert total["items"] == 3
    assert Decimal(total["value"]) == sum(Decimal(one["value"]) for one in found["models"])
    low, inner_low, inner_high, high = (
        Decimal(total["intervals"][at][end]) for at, end in ((1, "low"), (0, "low"), (0, "high"), (1, "high"))
    )
    assert low < inner_low < Decimal(total["expected"]) < inner_high < high
    assert total["cost"]["items"] == 2 and total["asking"]["amount"] == "2500.00"
    assert total["cost"]["amount"] == "1600.00"  # 1,000 euros at 1.1 dollars, and 500 dollars
    assert {one["maker"]: one["items"] for one in found["makers"]} == {"Ostvik": 2, "Séraphine & Fils": 1}
    assert [one["age"] for one in found["ages"]] == ["under_6_months", "over_2_years", "not_known"]
    left = found["left_out"]
    assert left["count"] == 1 and left["items"][0]["stock_number"] == "P-5"
    assert "Nobody knows it" in left["items"][0]["reason"]


def test_its_range_is_narrower_than_the_sum_of_ends(dealer: Caller) -> None:
    """The fake model's prices share a part of their errors only."""
    found = asked(dealer, levels=[0.9], stock_numbers=["P-1", "P-2", "P-3"])
    ends = [
        asked(dealer, levels=[0.9], stock_numbers=[name])["total"]["intervals"][0]
        for name in ("P-1", "P-2", "P-3")
    ]
    whole = found["total"]["intervals"][0]
    assert sum(Decimal(one["low"]) for one in ends) < Decimal(whole["low"])
    assert Decimal(whole["high"]) < sum(Decimal(one["high"]) for one in ends)


def test_a_filter_chooses_and_the_currency_is_the_one_asked_for(dealer: Caller) -> None:
    dollars = asked(dealer, filter={"maker": "Ostvik", "status": ["in_stock", "sold"]})
    euros = asked(dealer, filter={"maker": "Ostvik", "status": ["in_stock", "sold"]}, currency="EUR")
    assert dollars["total"]["items"] == euros["total"]["items"] == 3
    assert float(dollars["total"]["expected"]) == pytest.approx(
        1.1 * float(euros["total"]["expected"]), rel=1e-4
    )


def test_stock_numbers_count_whatever_their_status_and_those_not_there_are_said(dealer: Caller) -> None:
    found = asked(dealer, stock_numbers=["P-4", "none", "P-4", "P-6"])
    assert found["total"]["items"] == 1
    assert found["left_out"] == {
        "count": 2,
        "items": [
            {"stock_number": name, "reason": "There is no item with this stock number."}
            for name in ("none", "P-6")
        ],
    }


def test_the_day_is_the_one_asked_for(dealer: Caller) -> None:
    found = asked(dealer, date="2020-06-01", currency="EUR")
    assert (found["date"], found["rate_day"]) == ("2020-06-01", "2020-01-01")
    assert found["total"]["cost"]["amount"] == "1400.00"  # 1,000 euros, and 500 dollars at 1.25 dollars
    assert {one["age"]: one["items"] for one in found["ages"]} == {
        "under_6_months": 2,
        "not_known": 1,
    }


def test_the_value_at_risk_says_what_it_rests_on(dealer: Caller) -> None:
    risk = asked(dealer, horizon_months=24)["value_at_risk"]
    assert (risk["horizon_months"], risk["since"], risk["until"]) == (24, "2004-01-02", "2026-01-02")
    assert asked(dealer, horizon_months=24.0)["value_at_risk"] == risk
    assert risk["spans"] == pytest.approx(11, abs=0.1)
    assert [one["level"] for one in risk["losses"]] == [0.9, 0.95, 0.99]
    assert "market index" in risk["rests_on"]


def test_the_picture_is_of_the_same_figures(dealer: Caller) -> None:
    found = dealer.post(f"{PATH}/picture.svg", {"currency": "EUR"})
    assert found.status_code == 200 and found.headers["Content-Type"].startswith("image/svg+xml")
    expected = Decimal(asked(dealer, currency="EUR")["total"]["expected"])
    assert f"€{expected:,.0f}" in found.text


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"filter": {"colour": "red"}}, "#/filter/colour"),
        ({"filter": {"status": ["lost"]}}, "#/filter/status"),
        ({"filter": {"over_priced": -1}}, "#/filter/over_priced"),
        ({"filter": {"aged": True}}, "#/filter/aged"),
        ({"filter": {"moved_by": 5}}, "#/filter/moved_since"),
        ({"filter": {"bought_before": "2025-02-30"}}, "#/filter/bought_before"),
        ({"filter": []}, "#/filter"),
        ({"filter": {"maker": "Nobody"}}, "#/filter/maker"),
        ({"filter": {"evidence": ["several"], "aged": 3000}}, "#/filter"),
        ({"stock_numbers": ["none"]}, "#/stock_numbers"),
        ({"stock_numbers": []}, "#/stock_numbers"),
        ({"stock_numbers": ["P-1"], "filter": {}}, "#/stock_numbers"),
        ({"horizon_months": 0}, "#/horizon_months"),
        ({"currency": "XXX"}, "#/currency"),
        ({"levels": [1.5]}, "#/levels"),
        ({"items": []}, "#/items"),
    ],
)
def test_what_is_wrong_is_said_where_it_is(dealer: Caller, body: dict[str, Any], pointer: str) -> None:
    assert [*faults_of(dealer.post(PATH, body))] == [pointer]


def test_a_number_that_is_sent_as_text_is_told_to_lose_its_quotes(dealer: Caller) -> None:
    found = faults_of(
        dealer.post(PATH, {"levels": ["0.9"], "horizon_months": "12", "filter": {"aged": "30"}})
    )
    assert {name: fault["next_step"] for name, fault in found.items()} == {
        "#/levels": "send 0.9 without quotes",
        "#/horizon_months": "send 12 without quotes",
        "#/filter/aged": "send 30 without quotes",
    }


def test_other_scopes_may_not_ask(own_app: Flask) -> None:
    assert_problem(caller_of(own_app, "valuations").post(PATH, {}), 403, "scope")
