"""The dearest request of every operation costs little processor time, and its answer is small.

`pytest -s tests/service/test_costs.py` prints both for each operation.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from apps import NewDatabase, keys_of, make_app, parts
from asking import DAL, Caller
from dear_bodies import Dear, bodies_of
from flask import Flask
from request_bodies import BODY
from webhook_ground import two_deliveries

from service.keys.kinds import SCOPES

SECONDS, BYTES = 0.25, 256 * 1024
# Longest query that gunicorn lets pass, with names that are like one of the query's own.
_QUERY = 3900


class Cost(NamedTuple):
    """Processor seconds of a request, bytes of its answer, whether rows were taken, the request's name."""

    seconds: float
    size: int
    taken: bool
    name: str


@pytest.fixture(scope="module")
def app(fake_store: Path, tmp_path_factory: pytest.TempPathFactory, new_database: NewDatabase) -> Flask:
    return make_app(fake_store, new_database("sqlite"), log_level="error")


@pytest.fixture(scope="module")
def asker(app: Flask) -> Caller:
    """A caller with every scope; what it asks for first is made already."""
    return Caller(app, keys_of(app).create("tests", SCOPES)[1])


@pytest.fixture(scope="module")
def operations(asker: Caller) -> list[tuple[str, str, dict[str, Any]]]:
    """Method, path and description of every operation, the path with the ids of what there is."""
    made = asker.post("/v1/valuations", DAL).json["id"]
    request = asker.post("/v1/requests", BODY).json["id"]
    key_id = keys_of(asker.app).create("to be changed", ["metrics"])[0]
    version = asker.get("/v1/price-models").json["current"]
    ids = {"valuation_id": made, "key_id": key_id, "version": version, "request_id": request}
    ids |= {"maker": "Ostvik", "model": "Dal", "evidence_id": "E1", "stock_number": "I1"}
    ids["photograph_id"] = "pho_" + "0" * 26
    ids |= {"report_id": "rep_" + "0" * 26, "email_id": "1", "revaluation_id": "rev_" + "0" * 26}
    ids["terms_name"] = "retail"
    ids |= dict(zip(("webhook_id", "event_id"), two_deliveries(parts(asker.app).engine, key_id), strict=True))
    document = asker.get("/openapi.json").json
    return [
        (method.upper(), path.format(**ids), operation)
        for path, item in document["paths"].items()
        for method, operation in item.items()
        if method != "parameters"
    ]


def asked(asker: Caller, method: str, path: str, dear: Dear | None, form: str = "") -> Cost:
    """Ask, and ask again what seems too dear: work beside it and a collection of garbage come between."""
    found = _asked(asker, method, path, dear, form)
    again = [_asked(asker, method, path, dear, form) for _ in range(3 if found.seconds > SECONDS else 0)]
    return min([found, *again], key=lambda cost: cost.seconds)


def _asked(asker: Caller, method: str, path: str, dear: Dear | None, form: str) -> Cost:
    headers = asker.headers({"Content-Type": form} if form else {})
    if dear is not None and dear.packed:
        headers["Content-Encoding"] = "gzip"
    sent = dear.sent if dear else None
    client = asker.client
    began = time.process_time()
    with client.open(path, method=method, data=sent, headers=headers) as found:
        text = found.data
    seconds = time.process_time() - began
    return Cost(seconds, len(text), _taken(found.status_code, text), dear.name if dear else path)


def _taken(status: int, text: bytes) -> bool:
    """Say whether something was valued or kept, whose cost is its own and not that of a refusal."""
    if status != 200 or not text.startswith((b"id,value,", b'{"line":', b'{"rows":')):
        return status < 400
    if text.startswith(b"id,value,"):
        return any(line.split(b",")[1:2] not in ([b""], []) for line in text.splitlines()[1:])
    return any("evidence" in row or row.get("accepted") for row in map(json.loads, text.splitlines()))


def queries_of(operation: dict[str, Any]) -> Iterator[str]:
    """Yield the dearest queries: unknown names, and each member as long as can be."""
    names = [one["name"] for one in operation.get("parameters", []) if one["in"] == "query"]
    yield "&".join(f"x{n}=" for n in range(_QUERY // 7))
    for name in names:
        yield "&".join(f"{name}{n}=" for n in range(_QUERY // (len(name) + 5)))
        yield f"{name}=" + ",".join(["x"] * (_QUERY // 2))
        yield "&".join([f"{name}=0.5"] * (_QUERY // (len(name) + 5)))


def paths_of(operation: dict[str, Any], path: str) -> Iterator[str]:
    """Yield paths whose names are as long as can be, and as dear to compare."""
    if any(one["in"] == "path" for one in operation.get("parameters", [])):
        for text in ("Ostvik" * 600, "%EF%BC%A1" * 400, "%CC%81" * 600):
            yield path.replace("Ostvik", text).replace("Dal", text).replace("E1", text)


def dearest(asker: Caller, method: str, path: str, operation: dict[str, Any]) -> Iterator[Cost]:
    """Yield what the dear requests of an operation cost."""
    for query in queries_of(operation):
        yield asked(asker, method, f"{path}?{query}", None)
    for long in paths_of(operation, path):
        yield asked(asker, method, long, None)
    for form, media in operation.get("requestBody", {}).get("content", {}).items():
        for dear in bodies_of(form, media["example"]):
            yield asked(asker, method, path, dear, form)


def test_the_dearest_request_of_every_operation_costs_little(
    asker: Caller, operations: list[tuple[str, str, dict[str, Any]]]
) -> None:
    assert len(operations) > 40
    over = []
    for method, path, operation in operations:
        found = [cost for cost in dearest(asker, method, path, operation) if not cost.taken]
        slowest = max(found, key=lambda cost: cost.seconds, default=None)
        largest = max(found, key=lambda cost: cost.size, default=None)
        if slowest is None or largest is None:
            continue
        print(
            f"{method:6} {path[:50]:50} {1000 * slowest.seconds:7.0f} ms {slowest.name[:60]:60} "
            f"{largest.size / 1024:7.0f} KB {largest.name[:40]}"
        )
        over += [(path, cost) for cost in found if cost.seconds > SECONDS or cost.size > BYTES]
    assert over == []
