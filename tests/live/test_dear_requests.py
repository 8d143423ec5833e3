"""No request that is refused costs much processor time, or has a long answer: the dearest of every operation.

`pytest -s tests/live/test_dear_requests.py` prints both for each operation of a real server.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from asked_costs import BYTES, SECONDS, Asker, Cost, asking
from dear_bodies import bodies_of
from known_ids import known

from models.domain.catalogue import read_catalogue

# Longest query that gunicorn lets pass, with names that are like one of the query's own.
QUERY = 3900


@pytest.fixture
def asker(tmp_path: Path, demo_store: Path) -> Iterator[Asker]:
    with asking(tmp_path, demo_store) as found:
        yield found


def operations_of(
    document: dict[str, Any], ids: dict[str, list[str]]
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Yield method, path and description of every operation, the path with the ids of what there is."""
    first = {name: found[0] for name, found in ids.items()}
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if method != "parameters":
                shared = item.get("parameters", [])
                told = {**operation, "parameters": [*shared, *operation.get("parameters", [])]}
                yield method.upper(), path.format(**first), told


def queries_of(operation: dict[str, Any]) -> Iterator[str]:
    """Yield the dearest queries: unknown names, and each member as long as can be."""
    names = [one["name"] for one in operation["parameters"] if one["in"] == "query"]
    yield "&".join(f"x{n}=" for n in range(QUERY // 7))
    for name in names:
        yield "&".join(f"{name}{n}=" for n in range(QUERY // (len(name) + 5)))
        yield f"{name}=" + ",".join(["x"] * (QUERY // 2))
        yield "&".join([f"{name}=0.5"] * (QUERY // (len(name) + 5)))


def needed_query(operation: dict[str, Any]) -> str:
    """Return the query without which a body is not looked at."""
    needed = [one for one in operation["parameters"] if one["in"] == "query" and one.get("required")]
    return "".join(f"?{one['name']}={one['schema']['enum'][0]}" for one in needed)


def paths_of(path: str, ids: dict[str, list[str]]) -> Iterator[str]:
    """Yield paths whose names are as long as can be, and as dear to compare."""
    for text in ("Ostvik" * 600, "%EF%BC%A1" * 400, "%CC%81" * 600):
        parts = [text if part in {one[0] for one in ids.values()} else part for part in path.split("/")]
        if text in parts:
            yield "/".join(parts)


def dearest(
    asker: Asker, method: str, path: str, operation: dict[str, Any], ids: dict[str, list[str]]
) -> Iterator[Cost]:
    """Yield what the dear requests of an operation cost."""
    for query in queries_of(operation):
        yield asker.cost(method, f"{path}?{query}", None)
    for long in paths_of(path, ids):
        yield asker.cost(method, long, None)
    for form, media in operation.get("requestBody", {}).get("content", {}).items():
        for dear in bodies_of(form, media["example"]):
            yield asker.cost(method, path + needed_query(operation), dear, form)


def test_the_dearest_request_of_every_operation_costs_little(asker: Asker, demo_market: Path) -> None:
    catalogue = read_catalogue((demo_market / "catalogue.toml").read_text(encoding="utf-8"))
    model = catalogue.models[0]
    name = {"maker": model.maker, "model": model.name}
    there = {**known(asker.served, asker.key, [name, name]), "maker": [model.maker], "model": [model.name]}
    # The newest of each: no report is issued yet on that request, so that photographs are looked at.
    ids = {part: [quote(found[-1])] for part, found in there.items()}
    document = httpx.get(f"{asker.served.url}/openapi.json", timeout=60).json()
    operations = list(operations_of(document, ids))
    assert len(operations) > 100
    over = []
    for method, path, operation in operations:
        costs = dearest(asker, method, path, operation, ids)
        found = [cost for cost in costs if not cost.taken]
        if not found:
            continue
        slowest = max(found, key=lambda cost: cost.seconds)
        largest = max(found, key=lambda cost: cost.size)
        print(
            f"{method:6} {path[:50]:50} {1000 * slowest.seconds:7.0f} ms {slowest.name[:60]:60} "
            f"{largest.size / 1024:7.0f} KB {largest.name[:40]}"
        )
        over += [(path, cost) for cost in found if cost.seconds > SECONDS or cost.size > BYTES]
    assert over == []
    assert asker.served.workers() == [asker.worker], "the worker was replaced"
