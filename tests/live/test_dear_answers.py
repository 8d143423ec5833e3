"""The dearest requests that are answered well: each costs little, but for rows, which are valued one by one.

`pytest -s tests/live/test_dear_answers.py` prints what each has cost. Three kinds of work stand apart, for
they cost more than a request may: rows are told by the row; pictures and reports are made by a process of its
own, of which few run at once; and a promotion reads a whole price model and values the references with it.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import pytest
from asked_costs import SECONDS, Asker, asking
from dear_bodies import Dear
from known_ids import ASKING, known
from pictures import JPEG, jpeg

from models.costs import MOST_ALTERNATIVES, MOST_LEVELS, PHOTOGRAPH_SECONDS, REPORT_SECONDS
from models.insights.restoration import MENDABLE
from service.api.parts.parts import PARTS
from service.docs.examples import OFFER_TERMS

ROWS = 1_000
LEVELS = [round(0.95 * (n + 1) / MOST_LEVELS, 3) for n in range(MOST_LEVELS)]
PAGE = "?limit=500"
PHOTOGRAPH = (8_000, 6_000)  # pixels, of the 50 million that one may have
SECONDS_OF_A_ROW = 0.005
SECONDS_OF_A_PROMOTION = 2.0


class Request(NamedTuple):
    """A request. `rows`: how many rows it values or writes."""

    method: str
    path: str
    body: Any = None
    form: str = "application/json"
    rows: int = 0


@pytest.fixture(scope="module")
def asker(tmp_path_factory: pytest.TempPathFactory, demo_store: Path) -> Iterator[Asker]:
    with asking(tmp_path_factory.mktemp("dear"), demo_store) as found:
        yield found


@pytest.fixture(scope="module")
def its(demo_market: Path) -> list[dict[str, Any]]:
    """The sales of the demo market that say most of their instruments, as rows of a table."""
    with (demo_market / "evidence.csv").open(encoding="utf-8", newline="") as table:
        rows = [row for row in csv.DictReader(table) if row["kind"] == "sale"]
    return sorted(rows, key=lambda row: sum(map(bool, row.values())), reverse=True)[:ROWS]


@pytest.fixture(scope="module")
def instrument(its: list[dict[str, Any]]) -> dict[str, Any]:
    """The instrument of the fullest row, nested as a request has it."""
    row = {name: text for name, text in its[0].items() if text}
    found: dict[str, Any] = {
        name: row[name] for name in ("maker", "model", "finish", "edition") if name in row
    }
    for group in ("condition", "originality", "provenance"):
        members = {name: text for name, text in row.items() if name.startswith(f"{group}_")}
        told = {name.removeprefix(f"{group}_"): text for name, text in members.items()}
        found[group] = {
            name: int(text) if text.isdigit() else {"true": True, "false": False}.get(text, text)
            for name, text in told.items()
        }
    return found


@pytest.fixture(scope="module")
def ids(asker: Asker, instrument: dict[str, Any]) -> dict[str, str]:
    """An id of each kind of record, by the name of its place in a path."""
    name = {"maker": instrument["maker"], "model": instrument["model"]}
    return {part: found[0] for part, found in known(asker.served, asker.key, [name]).items()}


def table(rows: list[dict[str, Any]]) -> str:
    written = io.StringIO()
    lines = csv.DictWriter(written, list(rows[0]))
    lines.writeheader()
    lines.writerows(rows)
    return written.getvalue()


def stock_of(its: list[dict[str, Any]]) -> str:
    """The instruments as a file of items, each of which a dealer asks a price for."""
    ours = {"kind", "date", "price", "currency", "channel", "source", "id"}
    return table(
        [
            {
                "stock_number": f"S{n}",
                "status": "in_stock",
                "asking": row["price"],
                "asking_currency": row["currency"],
                **{name: text for name, text in row.items() if name not in ours},
            }
            for n, row in enumerate(its)
        ]
    )


def bounded(instrument: dict[str, Any], ids: dict[str, str]) -> Iterator[Request]:
    """Yield the dearest requests that cost no row and need no process of their own."""
    value = {"instrument": instrument, "levels": LEVELS}
    yield Request("POST", "/v1/valuations", value)
    yield Request("POST", f"/v1/valuations?include={','.join(PARTS)}", value)
    yield Request("POST", "/v1/intervals", value)
    yield Request("POST", "/v1/attributions", {"instrument": instrument})
    kept = f"/v1/valuations/{ids['valuation_id']}"
    grades = itertools.product(range(5), repeat=3)
    changes = [{"condition": {"frets": a, "neck": b, "top": c}} for a, b, c in grades]
    yield Request("POST", f"{kept}/alternatives", {"alternatives": changes[:MOST_ALTERNATIVES]})
    yield Request("POST", f"{kept}/restoration", {"costs": dict.fromkeys(MENDABLE, "12.50")})
    for part in ("comparables", "questions", "earlier-records", "sentences"):
        yield Request("GET", f"{kept}/{part}")
    for picture in ("waterfall", "intervals", "price-index"):
        yield Request("GET", f"{kept}/{picture}.svg")
    yield Request("POST", "/v1/offers", {"instrument": instrument, "terms": OFFER_TERMS, "currency": "USD"})
    yield Request("GET", f"/v1/evidence{PAGE}")
    yield Request("GET", "/v1/performance")
    yield Request("GET", f"/v1/items{PAGE}")
    yield Request("GET", f"/v1/items{PAGE}&maker={instrument['maker'].replace(' ', '%20')}")
    yield Request("GET", f"/v1/items/changes{PAGE}")
    yield Request("POST", "/v1/revaluations", {})
    request = f"/v1/requests/{ids['request_id']}"
    for part in ("", "/questions", "/valuation", "/export", "/history"):
        yield Request("GET", request + part)
    yield Request("GET", f"/v1/requests{PAGE}")
    report = f"/v1/reports/{ids['report_id']}"
    yield from (Request("GET", report + end) for end in ("", ".html", ".pdf"))
    yield Request("POST", f"{report}/verification", bytes(4 * 2**20), "application/pdf")
    for path in ("/v1/catalogue", "/v1/catalogue/draft", "/v1/catalogue/draft.toml", "/v1/vocabulary"):
        yield Request("GET", path)
    for path in ("/v1/price-models", "/v1/price-models/current/card", "/v1/price-models/current/card.html"):
        yield Request("GET", path)
    for path in (
        "/v1/keys",
        f"/v1/audit{PAGE}",
        f"/v1/e-mails{PAGE}",
        "/metrics",
        "/readyz",
        "/docs",
        "/form",
    ):
        yield Request("GET", path)


def of_rows(its: list[dict[str, Any]]) -> Iterator[Request]:
    """Yield requests that value or write many rows."""
    lines = "id,maker,model\n" + "".join(f"{n},{row['maker']},{row['model']}\n" for n, row in enumerate(its))
    yield Request("POST", "/v1/stocklists", lines, "text/csv", len(its))
    yield Request("POST", "/v1/evidence", table(its), "text/csv", len(its))
    yield Request("POST", "/v1/items", stock_of(its), "text/csv", len(its))
    for path in ("/v1/evidence.csv", "/v1/items.csv", "/v1/items.xlsx"):
        yield Request("GET", path, rows=len(its))
    for path in ("/v1/portfolios", "/v1/portfolios/picture.svg"):
        yield Request("POST", path, {"stock_numbers": [f"S{n}" for n in range(len(its))]}, rows=len(its))


def ask(asker: Asker, request: Request, *, once: bool = False) -> float:
    """Ask, print what it has cost, and return the seconds of processor. It must be answered well."""
    body = request.body if isinstance(request.body, str | bytes) else json.dumps(request.body)
    dear = None
    if request.body is not None:
        dear = Dear(request.path, body.encode() if isinstance(body, str) else body)
    asked = asker.asked if once else asker.cost
    found = asked(request.method, request.path, dear, request.form if dear else "")
    cost = f"{1000 * found.seconds:7.0f} ms {found.size / 1024:7.0f} KB"
    by_row = f" {1e6 * found.seconds / request.rows:7.0f} µs a row" if request.rows else ""
    print(f"{request.method:5} {request.path[:70]:70} {cost}{by_row}")
    assert found.status < 300, (request, found)
    return found.seconds


def test_what_is_answered_well_costs_little(
    asker: Asker, its: list[dict[str, Any]], instrument: dict[str, Any], ids: dict[str, str]
) -> None:
    for request in of_rows(its):
        assert ask(asker, request, once=True) <= SECONDS_OF_A_ROW * request.rows
    with httpx.Client(base_url=asker.served.url, headers={"Authorization": f"Bearer {asker.key}"}) as client:
        for row in its[:200]:  # sales of valued instruments, which the figures of performance are made of
            made = client.post("/v1/valuations", json={"instrument": {p: row[p] for p in ("maker", "model")}})
            sold = {"date": made.json()["date"], "price": "1900.00"}
            assert client.put(f"/v1/valuations/{made.json()['id']}/outcome", json=sold).status_code == 201
    over = [one for one in bounded(instrument, ids) if ask(asker, one) > SECONDS]
    assert over == []


def test_what_stands_apart_is_bounded(asker: Asker, instrument: dict[str, Any], ids: dict[str, str]) -> None:
    path = f"/v1/requests/{ids['request_id']}/photographs?view=back"
    photograph = Request("POST", path, jpeg(*PHOTOGRAPH, quality=60), JPEG)
    assert ask(asker, photograph, once=True) <= PHOTOGRAPH_SECONDS
    headers = {"Authorization": f"Bearer {asker.key}"}
    with httpx.Client(base_url=asker.served.url, headers=headers, timeout=60) as client:
        made = client.post("/v1/requests", json={**ASKING, "instrument": instrument}).json()["id"]
        assert client.patch(f"/v1/requests/{made}", json={"state": "reviewing"}).status_code == 200
    report = {"type_of_value": "retail_replacement", "intended_use": "Insurance."}
    assert ask(asker, Request("POST", f"/v1/requests/{made}/reports", report), once=True) <= REPORT_SECONDS
    promotion = Request("POST", f"/v1/price-models/{ids['version']}/promote", {"why": "to be measured"})
    assert ask(asker, promotion, once=True) <= SECONDS_OF_A_PROMOTION
