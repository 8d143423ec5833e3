"""A stock on the real server, with a fitted price model: written, listed by each filter, and followed while
writers change it. `STOCK_ITEMS=20000` in the environment makes it as large as dealers have it.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from items_ground import COUNT, TODAY, Row, caught_up, drawn, listed, sent
from running import Running

WRITES = max(60, COUNT // 20)  # of each writer
LEAST_SPEED = 20_000 / 60  # items a second


@pytest.fixture
def served(
    tmp_path: Path, demo_store: Path, backend: str, new_database: Callable[[str], str]
) -> Iterator[Running]:
    settings = {"BOOKMATCH_DATABASE": new_database(backend), "BOOKMATCH_LIMIT_SYSTEM": "0"}
    with Running(tmp_path, demo_store, fake=False, settings=settings) as running:
        yield running


@pytest.fixture
def http(served: Running) -> Iterator[httpx.Client]:
    scopes = ("--scope", "inventory", "--scope", "valuations")
    key = served.call("keys", "create", "stock", *scopes).strip()
    headers = {"Authorization": f"Bearer {key}"}
    with httpx.Client(base_url=served.url, headers=headers, timeout=600) as client:
        yield client


def ratio(item: dict[str, Any]) -> float:
    return float(item["asking"]["amount"]) / float(item["value"]["amount"])


FILTERS: dict[str, Callable[[dict[str, Any]], bool]] = {
    "status=sold,reserved": lambda item: item["status"] in ("sold", "reserved"),
    "channel=dealer": lambda item: item["channel"] == "dealer",
    "over_priced=20": lambda item: ratio(item) > 1.2,
    "under_priced=20": lambda item: ratio(item) < 0.8,
    f"bought_before={TODAY - timedelta(100)}": lambda item: (
        date.fromisoformat(item["bought"]) < TODAY - timedelta(100)
    ),
    "aged=365": lambda item: (TODAY - date.fromisoformat(item["bought"])).days > 365,
    "evidence=none,few": lambda item: item["evidence"] in ("none", "few"),
    "failed=true": lambda item: item["failure"] is not None,
    f"moved_by=0&moved_since={TODAY}": lambda item: False,
    "over_priced=5&status=in_stock&channel=private": lambda item: (
        ratio(item) > 1.05 and item["status"] == "in_stock" and item["channel"] == "private"
    ),
}


def written(http: httpx.Client, rows: list[Row], seed: int) -> None:
    """Change, delete and bring back items, one by one and in small files."""
    draw = random.Random(seed)
    for _ in range(WRITES):
        row = draw.choice(rows)
        path = f"/v1/items/{row['stock_number']}"
        body = {"instrument": {"maker": row["maker"], "model": row["model"]}, "extra": {"n": draw.random()}}
        kind = draw.randrange(4)
        if kind == 0:
            assert http.delete(path).status_code in (200, 410)
        elif kind == 1:
            some = draw.sample(rows, 5)
            sent(http, [{**one, "asking": str(draw.randrange(300, 9000))} for one in some])
        else:
            assert http.put(path, json=body).status_code in (200, 201)


def test_a_stock_is_written_listed_and_followed_while_it_changes(http: httpx.Client, capsys: Any) -> None:
    rows, began = drawn(http), time.perf_counter()
    assert sent(http, rows)["created"] == COUNT
    took = time.perf_counter() - began
    began = time.perf_counter()
    assert sent(http, rows)["unchanged"] == COUNT
    again = time.perf_counter() - began
    items, pauses = listed(http), dict[str, float]()
    assert len(items) == COUNT
    for query, passes in FILTERS.items():
        began = time.perf_counter()
        found = listed(http, f"{query}&limit=500")
        pauses[query] = time.perf_counter() - began
        assert set(found) == {name for name, item in items.items() if passes(item)}, query
    maker = rows[0]["maker"]
    by_maker = {name for name, item in items.items() if item["instrument"]["maker"] == maker}
    assert set(listed(http, str(httpx.QueryParams(maker=maker)))) == by_maker
    copy, after, stop = dict[str, Any](), "0", threading.Event()

    def follow() -> None:
        nonlocal after
        while not stop.is_set():
            after = caught_up(http, copy, after)

    with ThreadPoolExecutor(4) as pool:
        following = pool.submit(follow)
        writing = [pool.submit(written, http, rows, seed) for seed in range(3)]
        for one in writing:
            one.result()
        stop.set()
        following.result()
    after = caught_up(http, copy, after)
    assert copy == listed(http)
    fresh: dict[str, Any] = {}
    assert caught_up(http, fresh, "0") == after and fresh == copy
    with capsys.disabled():
        slowest = max(pauses, key=lambda name: pauses[name])
        print(
            f"\n{COUNT} items: written in {took:.1f} s, unchanged in {again:.1f} s; the slowest filter "
            f"{slowest}: {pauses[slowest]:.2f} s"
        )
    if COUNT >= 20_000:
        assert took < COUNT / LEAST_SPEED


def test_values_are_answered_while_a_file_is_written(http: httpx.Client, capsys: Any) -> None:
    rows, waits, stop = drawn(http), list[float](), threading.Event()

    def ask() -> None:
        it = {"instrument": {"maker": rows[0]["maker"], "model": rows[0]["model"]}}
        while not stop.is_set():
            began = time.perf_counter()
            assert http.post("/v1/intervals", json=it).status_code == 200
            waits.append(time.perf_counter() - began)
            time.sleep(0.02)

    with ThreadPoolExecutor(1) as pool:
        asking = pool.submit(ask)
        sent(http, rows)
        stop.set()
        asking.result()
    waits.sort()
    with capsys.disabled():
        print(
            f"\nvalues meanwhile: {len(waits)}, 99th percentile {waits[int(len(waits) * 0.99)] * 1000:.0f} ms"
        )
    assert waits[len(waits) // 2] < 1
