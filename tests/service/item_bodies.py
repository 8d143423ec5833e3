"""Items as the tests send them, on an empty stock, and what a follower of the feed does."""

from __future__ import annotations

from typing import Any

import pytest
from apps import caller_of, parts
from asking import Caller
from flask import Flask
from sqlalchemy import delete

from service.db.engine import writing
from service.db.item_tables import FEED, ITEM_VALUES, ITEMS

DAL: dict[str, Any] = {"maker": "ostvik", "model": "DAL", "condition": {"neck": 2}}
ITEM: dict[str, Any] = {
    "instrument": DAL,
    "cost": {"amount": "1200", "currency": "EUR"},
    "asking": {"amount": "2500.5", "currency": "EUR"},
    "bought": "2025-06-01",
    "channel": "dealer",
    "status": "in_stock",
    "extra": {"shelf": "=B2", "weight": 3.75, "boxes": 2, "sold by us": True, "note": None},
}
# e ** (8 - 0.2 for the neck - 0.05 at a dealer's) dollars, at 1.1 dollars for a euro.
ITEM_VALUE = {"amount": "2110.52", "currency": "EUR"}
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def emptied(app: Flask) -> Caller:
    """A caller with the scope, and no item in the stock."""
    with writing(parts(app).engine) as connection:
        for table in (ITEM_VALUES, ITEMS, FEED):
            connection.execute(delete(table))
    return caller_of(app, "inventory")


@pytest.fixture
def stock(shared_app: Flask) -> Caller:
    return emptied(shared_app)


def put(caller: Caller, stock_number: str, /, **changes: Any) -> Any:
    return caller.ask("put", f"/v1/items/{stock_number}", {**ITEM, **changes})


def names(caller: Caller, query: str = "") -> list[str]:
    found = caller.get(f"/v1/items{query}")
    assert found.status_code == 200, found.text
    return [item["stock_number"] for item in found.json["items"]]


def send(caller: Caller, body: Any, form: str = "text/csv", query: str = "", **headers: str) -> Any:
    return caller.post(f"/v1/items{query}", body, **{"Content-Type": form, **headers})


def follow(caller: Caller, copy: dict[str, Any], after: str | None = None, limit: int = 3) -> str:
    """Bring a copy of the stock up to date, and return where to go on."""
    for _ in range(100):
        query = f"?limit={limit}" + (f"&after={after}" if after else "")
        found = caller.get(f"/v1/items/changes{query}").json
        after = found["next"]
        for one in found["changes"]:
            if one["item"] is None:
                assert one["change"] == "deleted"
                copy.pop(one["stock_number"], None)
            else:
                copy[one["stock_number"]] = one["item"]
        if not found["changes"]:
            return str(after)
    raise AssertionError("the feed has no end")


def all_items(caller: Caller) -> dict[str, Any]:
    """Every item, by the list's pages."""
    path, found = "/v1/items?limit=2", dict[str, Any]()
    while path:
        page = caller.get(path)
        items = {item["stock_number"]: item for item in page.json["items"]}
        assert items and not items.keys() & found.keys()  # no item twice
        found |= items
        link = page.headers.get("Link", "")
        path = link[1 : link.index(">")] if link else ""
    return found
