"""Stock lists as the tests of the service send them and read their values."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any

from asking import Caller
from werkzeug.test import TestResponse

from models.domain.vocabulary import FIELDS

PATH = "/v1/stocklists"
OWN = ("id", "date", "channel", "currency")
CSV, NDJSON = "text/csv", "application/x-ndjson"
ROWS: list[dict[str, Any]] = [
    {"id": "A", "instrument": {"maker": "ostvik", "model": "fjell 2", "condition": {"neck": 4}}},
    {"id": "B", "instrument": {"maker": "Ostvik", "model": "Dal"}, "date": "2025-06-01", "channel": "dealer"},
    {"id": "Ç", "instrument": {"maker": "Seraphine & Fils", "model": "etoile", "figure": 2.5}},
    {"id": "D", "instrument": {"maker": "Ostvik", "model": "Fjell 2", "originality": {"nut": "modern"}}},
]


def flat(row: dict[str, Any]) -> dict[str, str]:
    cells = {name: str(row[name]) for name in OWN if name in row}
    for name, value in row["instrument"].items():
        inner = value if isinstance(value, dict) else {"": value}
        cells |= {f"{name}_{part}".strip("_"): str(one) for part, one in inner.items()}
    return cells


def as_csv(rows: list[dict[str, Any]]) -> str:
    out = io.StringIO()
    names = [*OWN, *(field.flat for field in FIELDS)]
    writer = csv.DictWriter(out, names, restval="")
    writer.writeheader()
    writer.writerows(flat(row) for row in rows)
    return out.getvalue()


def as_ndjson(rows: list[Any]) -> str:
    return "".join(json.dumps(row) + "\n" for row in rows)


def post(caller: Caller, body: str | bytes, form: str, query: str = "") -> TestResponse:
    """The answer, read to its end, as a server leaves it."""
    with closing(caller.post(PATH + query, body, **{"Content-Type": form})) as found:
        found.get_data()
    return found


@contextmanager
def begun(caller: Caller, body: str) -> Iterator[TestResponse]:
    """An answer of which nothing has been read."""
    headers = caller.headers({"Content-Type": CSV})
    with closing(caller.client.post(PATH, data=body, headers=headers, buffered=False)) as found:
        yield found


def by_csv(caller: Caller, rows: list[dict[str, Any]], query: str = "") -> list[dict[str, str]]:
    found = post(caller, as_csv(rows), CSV, query)
    assert found.status_code == 200 and found.mimetype == CSV, found.text
    return list(csv.DictReader(io.StringIO(found.text)))


def by_ndjson(caller: Caller, body: str | bytes, query: str = "") -> list[dict[str, Any]]:
    found = post(caller, body, NDJSON, query)
    assert found.status_code == 200 and found.mimetype == NDJSON, found.text
    return [json.loads(line) for line in found.data.splitlines()]


def many(count: int) -> str:
    return "id,maker,model\n" + "".join(f"{n},Ostvik,Dal\n" for n in range(count))
