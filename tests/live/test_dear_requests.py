"""No request that is refused costs much processor time, or has a long answer: the dearest of every operation.

`pytest -s tests/live/test_dear_requests.py` prints both for each operation of a real server.
"""

from __future__ import annotations

import http.client
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

import httpx
import orjson
import pytest
from dear_bodies import Dear, bodies_of
from known_ids import known
from processors import processor_seconds
from running import Running

from models.domain.catalogue import read_catalogue
from service.keys.kinds import SCOPES

SECONDS, BYTES = 0.25, 256 * 1024
# Longest query that gunicorn lets pass, with names that are like one of the query's own.
QUERY = 3900


class Cost(NamedTuple):
    """Processor seconds of a request, bytes of its answer, whether something was taken, and its name."""

    seconds: float
    size: int
    taken: bool
    name: str


@dataclass
class Asker:
    """Asks one worker, on one connection, and reads what each request has cost it."""

    served: Running
    key: str
    connection: http.client.HTTPConnection
    worker: int

    def cost(self, method: str, path: str, dear: Dear | None, form: str = "") -> Cost:
        """Ask, and ask again what seems too dear: other threads and a collection of garbage come between."""
        found = self._asked(method, path, dear, form)
        again = [self._asked(method, path, dear, form) for _ in range(3 if found.seconds > SECONDS else 0)]
        return min([found, *again], key=lambda cost: cost.seconds)

    def _asked(self, method: str, path: str, dear: Dear | None, form: str) -> Cost:
        headers = {"Authorization": f"Bearer {self.key}"} | ({"Content-Type": form} if form else {})
        if dear is not None and dear.packed:
            headers["Content-Encoding"] = "gzip"
        sent = dear.sent if dear else None
        before = processor_seconds(self.worker)
        status, text = self._answer(method, path, sent, headers)
        seconds = processor_seconds(self.worker) - before
        return Cost(seconds, len(text), _taken(status, text), dear.name if dear else path)

    def _answer(
        self, method: str, path: str, sent: bytes | None, headers: dict[str, str]
    ) -> tuple[int, bytes]:
        try:
            self.connection.request(method, path, sent, headers)
            found = self.connection.getresponse()
            return found.status, found.read()
        except (ConnectionError, http.client.HTTPException):  # refused before the body was read to its end
            self.connection.close()
            return 413, b""


def _taken(status: int, text: bytes) -> bool:
    """Say whether something was valued or kept, whose cost is its own and not that of a refusal."""
    if status != 200 or not text.startswith((b"id,value,", b'{"line":', b'{"rows":')):
        return status < 400
    if text.startswith(b"id,value,"):
        return any(line.split(b",")[1:2] not in ([b""], []) for line in text.splitlines()[1:])
    return any("evidence" in row or row.get("accepted") for row in map(orjson.loads, text.splitlines()))


@pytest.fixture
def asker(tmp_path: Path, demo_store: Path) -> Iterator[Asker]:
    settings = {f"BOOKMATCH_LIMIT_{of}": "0" for of in ("SYSTEM", "WEBSITE", "VISITOR", "ADDRESS")}
    settings |= {"BOOKMATCH_WORKERS": "1", "BOOKMATCH_THREADS": "1"}
    with Running(tmp_path, demo_store, fake=False, settings=settings) as served:
        connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
        yield Asker(served, served.new_key(*SCOPES), connection, served.workers()[0])
        connection.close()


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
            yield asker.cost(method, path, dear, form)


def test_the_dearest_request_of_every_operation_costs_little(asker: Asker, demo_market: Path) -> None:
    catalogue = read_catalogue((demo_market / "catalogue.toml").read_text(encoding="utf-8"))
    model = catalogue.models[0]
    name = {"maker": model.maker, "model": model.name}
    ids = {**known(asker.served, asker.key, [name]), "maker": [model.maker], "model": [model.name]}
    ids = {part: [quote(one) for one in found] for part, found in ids.items()}
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
