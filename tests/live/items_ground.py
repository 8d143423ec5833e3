"""A stock of items for the real server: what is written, and how it is sent, listed and followed."""

from __future__ import annotations

import csv
import io
import os
import random
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

COUNT = int(os.environ.get("STOCK_ITEMS", "300"))
TODAY = datetime.now(UTC).date()
HEAD = ["stock_number", "maker", "model", "year", "condition_neck", "asking", "asking_currency", "bought"]
HEAD += ["channel", "status", "shelf"]
Row = dict[str, str]


def drawn(http: httpx.Client) -> list[Row]:
    """Rows of a stock, the same ones each time."""
    draw = random.Random(14)
    catalogue = http.get("/v1/catalogue").json()["makers"]
    models = [(maker["name"], model["name"]) for maker in catalogue for model in maker["models"]]
    rows = []
    for number in range(COUNT):
        maker, model = draw.choice(models)
        bought = TODAY - timedelta(draw.randrange(1, 900))
        cells = [
            f"{number:05}",
            maker,
            model,
            "",
            draw.choice(["", "1", "2.5", "4"]),
            str(draw.randrange(300, 9000)),
        ]
        cells += [
            draw.choice(["USD", "EUR"]),
            bought.isoformat(),
            draw.choice(["private", "dealer", "auction"]),
        ]
        cells += [draw.choice(["in_stock", "reserved", "sold"]), f"=B{draw.randrange(9)}"]
        rows.append(dict(zip(HEAD, cells, strict=True)))
    return rows


def sent(http: httpx.Client, rows: list[Row]) -> dict[str, Any]:
    out = io.StringIO()
    writer = csv.DictWriter(out, HEAD)
    writer.writeheader()
    writer.writerows(rows)
    found = http.post("/v1/items", content=out.getvalue().encode(), headers={"Content-Type": "text/csv"})
    assert found.status_code == 200, found.text
    report: dict[str, Any] = found.json()
    return report


def listed(http: httpx.Client, query: str = "limit=500") -> dict[str, Any]:
    """All items that a query lists, page by page."""
    found, path = dict[str, Any](), f"/v1/items?{query}"
    while path:
        page = http.get(path)
        assert page.status_code == 200, page.text
        for item in page.json()["items"]:
            assert found.setdefault(item["stock_number"], item) is item  # no item twice
        path = page.links["next"]["url"] if "next" in page.links else ""
    return found


def caught_up(http: httpx.Client, copy: dict[str, Any], after: str) -> str:
    """Apply all changes there are to a copy; return where to go on."""
    while True:
        answer = http.get("/v1/items/changes", params={"after": after, "limit": 100}).json()
        after = answer["next"]
        for change in answer["changes"]:
            if change["item"] is None:
                copy.pop(change["stock_number"], None)
            else:
                copy[change["stock_number"]] = change["item"]
        if not answer["changes"]:
            return after
