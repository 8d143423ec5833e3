"""The list of items, its filters and pages, and the feed of changes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from apps import caller_of
from asking import Caller, assert_problem
from item_bodies import DAL, all_items, emptied, follow, names, put
from item_bodies import stock as stock  # a fixture

TODAY = datetime.now(UTC).date()
USD = "USD"


def _asking(amount: str) -> dict[str, Any]:
    return {"asking": {"amount": amount, "currency": USD}, "cost": None, "channel": "private"}


@pytest.fixture
def filled(stock: Caller) -> Caller:
    """Four items; the value of a Dal with this neck is 2440.60 dollars in the private market."""
    put(stock, "dear", **_asking("2685.00"), bought=str(TODAY - timedelta(31)))
    put(stock, "cheap", **_asking("2300.00"), bought=str(TODAY - timedelta(30)), status="reserved")
    put(stock, "few", instrument={"maker": "Ostvik", "model": "Fjell 2"}, asking=None, bought=None)
    put(
        stock,
        "none",
        instrument={"maker": "Ostvik", "model": "Fjell 2", "edition": "Solverv"},
        asking=None,
        bought=None,
        status="sold",
    )
    return stock


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("", ["cheap", "dear", "few", "none"]),
        ("status=in_stock", ["dear", "few"]),
        ("status=sold,reserved", ["cheap", "none"]),
        ("maker=ostvik&model=dal", ["cheap", "dear"]),
        ("model=FJELL 2", ["few", "none"]),
        ("channel=dealer", ["few", "none"]),
        ("over_priced=10", ["dear"]),
        ("over_priced=10.1", []),
        ("under_priced=5.7", ["cheap"]),
        ("under_priced=5.8", []),
        (f"bought_before={TODAY - timedelta(30)}", ["dear"]),
        ("aged=30", ["dear"]),
        ("aged=29", ["cheap", "dear"]),
        ("evidence=none,few", ["few", "none"]),
        ("evidence=none", ["none"]),
        ("failed=true", []),
        ("failed=false&status=sold", ["none"]),
        (f"moved_by=0&moved_since={TODAY}", []),
        ("status=Sold, RESERVED&failed=False", ["cheap", "none"]),
        ("channel=Dealer&evidence=None,Few", ["few", "none"]),
    ],
)
def test_each_filter(filled: Caller, query: str, wanted: list[str]) -> None:
    assert names(filled, f"?{query}") == wanted


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("status=lost", "status"),
        ("maker=Nobody", "maker"),
        ("over_priced=-1", "over_priced"),
        ("under_priced=101", "under_priced"),
        ("bought_before=2025-02-30", "bought_before"),
        ("aged=1.5", "aged"),
        ("evidence=thin", "evidence"),
        ("moved_by=5", "moved_since"),
        ("moved_since=2025-01-01", "moved_by"),
        ("failed=yes", "failed"),
        ("limit=501", "limit"),
        ("cursor=after-AA", "cursor"),
        ("cursor=5", "cursor"),
        ("colour=red", "colour"),
    ],
)
def test_each_wrong_filter_is_named(stock: Caller, query: str, field: str) -> None:
    problem = assert_problem(stock.get(f"/v1/items?{query}"), 422, "fields")
    assert [one["field"] for one in problem["errors"]] == [field]


def test_all_wrong_filters_are_told_at_once_each_with_its_own_word_and_what_to_do(stock: Caller) -> None:
    query = "status=sold,resrved&maker=Ostvic&over_priced=25%25&moved_since=1.2.2026&moved_by=5"
    problem = assert_problem(stock.get(f"/v1/items?{query}"), 422, "fields")
    found = {one["field"]: one for one in problem["errors"]}
    assert {name: (one["value"], one["next_step"]) for name, one in found.items()} == {
        "status": ("resrved", "did you mean reserved?"),
        "maker": ("Ostvic", "did you mean Ostvik?"),
        "over_priced": ("25%", "correct it or leave it out"),
        "moved_since": ("1.2.2026", "write the year first, as 2024-03-31"),
    }
    assert found["over_priced"]["allowed"] == "a number from 0 to 1000000"


def test_the_list_is_light_and_its_pages_hold_each_item_once_whatever_is_written(stock: Caller) -> None:
    for number in "bdfh":
        put(stock, number)
    first = stock.get("/v1/items?limit=2&status=in_stock")
    assert [item["stock_number"] for item in first.json["items"]] == ["b", "d"]
    assert "detail" not in first.json["items"][0]
    for number in "ac":  # before the cursor
        put(stock, number)
    stock.ask("delete", "/v1/items/d")  # the cursor itself
    put(stock, "b", status="sold")
    link = first.headers["Link"]
    second = stock.get(link[1 : link.index(">")])
    assert [item["stock_number"] for item in second.json["items"]] == ["f", "h"]
    assert "Link" not in second.headers


def test_an_empty_copy_catches_up_and_then_follows(stock: Caller) -> None:
    copy: dict[str, Any] = {}
    after = follow(stock, copy)
    assert (copy, after) == ({}, "0")
    for number in ("A", "B", "C", "D"):
        put(stock, number)
    put(stock, "A", status="sold")
    stock.ask("delete", "/v1/items/B")
    feed = stock.get("/v1/items/changes").json
    assert [(one["stock_number"], one["change"]) for one in feed["changes"]] == [
        ("C", "created"),
        ("D", "created"),
        ("A", "changed"),
        ("B", "deleted"),
    ]
    assert feed["next"] == "6"
    after = follow(stock, copy)
    assert copy == all_items(stock) and set(copy) == {"A", "C", "D"}
    put(stock, "B")
    put(stock, "C", instrument={**DAL, "year": 1970})
    assert follow(stock, copy, after) == "8"
    assert copy == all_items(stock) and copy["C"]["instrument"]["year"] == 1970
    assert stock.get("/v1/items/changes?after=8").json == {"changes": [], "next": "8"}


def test_a_follower_who_is_ahead_of_the_feed_is_told(stock: Caller) -> None:
    put(stock, "A")
    for after in ("2", "x", ""):
        problem = assert_problem(stock.get(f"/v1/items/changes?after={after}"), 422, "fields")
        assert problem["errors"][0]["field"] == "after"


def test_all_keys_see_one_stock(stock: Caller, shared_app: Any) -> None:
    put(stock, "A")

    assert names(caller_of(shared_app, "inventory")) == ["A"]
    emptied(shared_app)
