"""Files of evidence on the real server: time, memory, and a server that is killed in the middle of one."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
from evidence_bulk import CSV, file_of
from fakes import write_fake
from running import Running, peak

from models.bundles.registry import Registry


@pytest.fixture
def served(tmp_path: Path, backend: str, new_database: Callable[[str], str]) -> Iterator[Running]:
    Registry(tmp_path / "store").promote(write_fake(tmp_path / "store"), who="tests", why="to serve")
    settings = {"BOOKMATCH_WORKERS": "1", "BOOKMATCH_DATABASE": new_database(backend)}
    with Running(tmp_path, tmp_path / "store", settings=settings) as running:
        running.key = running.new_key("evidence")
        yield running


def ids(client: httpx.Client) -> list[str]:
    """Every id of the list, page by page, whatever was withdrawn."""
    path, found = "/v1/evidence?withdrawn=any&limit=500", []
    while path:
        page = client.get(path)
        found += [entry["id"] for entry in page.json()["evidence"]]
        path = page.links.get("next", {}).get("url", "")
    return found


def test_fifty_thousand_rows_in_a_minute_and_in_little_memory(served: Running, backend: str) -> None:
    body = file_of(50_000)
    with httpx.Client(base_url=served.url, headers=served.headers, timeout=120) as client:
        assert (
            client.post("/v1/evidence", content=file_of(100, 60_000), headers=CSV).json()["accepted"] == 100
        )
        (worker,) = served.workers()
        before = peak(worker)
        began = time.monotonic()
        found = client.post("/v1/evidence", content=body, headers=CSV)
        seconds, grown = time.monotonic() - began, peak(worker) - before
        assert found.json()["accepted"] == 50_000
        kept = ids(client)
    print(
        f"{backend}: 50,000 rows ({len(body) / 2**20:.1f} MB) in {seconds:.1f} s, {grown:.1f} MB more memory"
    )
    assert kept == [f"R{n}" for n in (*range(60_000, 60_100), *range(50_000))]
    assert seconds < 60
    assert grown < 50


def test_a_file_that_a_kill_cuts_short_is_kept_whole_or_not_at_all(served: Running) -> None:
    """Killed at any moment of it, and sent again under the same key, every record stands once."""
    draws = random.Random(5)
    rounds, size = 4, 2_000
    for number in range(rounds):
        first = number * size
        body, key = file_of(size, first), {"Idempotency-Key": f"round-{number}"}
        answers: list[httpx.Response] = []
        sender = threading.Thread(target=_send, args=(served, body, {**CSV, **key}, answers))
        sender.start()
        sender.join(draws.uniform(0.02, 0.5))
        served.kill()
        sender.join()
        served.start()
        with httpx.Client(base_url=served.url, headers=served.headers, timeout=60) as client:
            kept = len(ids(client)) - first
            assert kept in (0, size)
            assert kept == size or not answers
            again = client.post("/v1/evidence", content=body, headers={**CSV, **key})
            assert again.json()["accepted"] == size
            assert not answers or again.content == answers[0].content
            assert ids(client) == [f"R{n}" for n in range(first + size)]


def _send(served: Running, body: bytes, headers: dict[str, str], answers: list[httpx.Response]) -> None:
    try:
        answers.append(
            httpx.post(
                f"{served.url}/v1/evidence", content=body, headers={**served.headers, **headers}, timeout=60
            )
        )
    except httpx.TransportError:
        return
