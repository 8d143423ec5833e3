"""Two servers on one PostgreSQL, one object store and one Redis: each serves what the other does.

moto's server, in a process of its own, stands in for the object store.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

import httpx
import pytest
from fakes import write_fake
from object_store import S3_KEY, object_store
from redis_server import RedisServer
from running import Running

from models.bundles.access import Access
from models.bundles.places import store_at
from models.bundles.registry import Registry

WITHIN = 10.0  # seconds in which a promotion reaches every server
PLAIN = {"timeout": 30, "verify": False}  # each request opens a connection; certificates would take longer
DAL = {"instrument": {"maker": "Ostvik", "model": "Dal"}}


@pytest.fixture(scope="module")
def servers(
    tmp_path_factory: pytest.TempPathFactory, new_database: Callable[[str], str]
) -> Iterator[tuple[Running, Running]]:
    """Two servers, each with a folder and copies of price models of its own, as on two machines."""
    with ExitStack() as stack:
        endpoint = stack.enter_context(object_store("price-models"))
        redis = stack.enter_context(RedisServer(tmp_path_factory.mktemp("redis")))
        store = "s3://price-models/all"
        machines = [tmp_path_factory.mktemp("machine") for _ in range(3)]
        access = [Access(files_endpoint=endpoint, store_cache=str(m / "copies"), **S3_KEY) for m in machines]
        place = store_at(store, access[2])
        Registry(place).promote(write_fake(place), who="tests", why="to serve")
        shared = {
            "BOOKMATCH_DATABASE": new_database("postgresql"),
            "BOOKMATCH_LIMITS": redis.address,
            "BOOKMATCH_LIMIT_SYSTEM": "300",
            "BOOKMATCH_LIMIT_SECONDS": "3600",
        }
        made = []
        for folder, reached in zip(machines[:2], access, strict=False):
            own = {f"BOOKMATCH_{name.upper()}": value for name, value in vars(reached).items()}
            made.append(stack.enter_context(Running(folder, store, settings={**shared, **own})))  # type: ignore[arg-type]
        yield made[0], made[1]


def registry_of(server: Running, folder: Path) -> Registry:
    """The store of price models, as a third machine sees it."""
    endpoint = server.settings["BOOKMATCH_FILES_ENDPOINT"]
    return Registry(
        store_at(str(server.store), Access(files_endpoint=endpoint, store_cache=str(folder), **S3_KEY))
    )


def version_of(server: Running) -> str:
    # On a connection of its own, so that it reaches any of the workers.
    return str(
        httpx.get(f"{server.url}/readyz", headers=server.headers, **PLAIN).json()["checks"]["model"][
            "version"
        ]
    )


def test_a_promotion_reaches_both(servers: tuple[Running, Running], tmp_path: Path) -> None:
    registry = registry_of(servers[0], tmp_path)
    for version in (write_fake(registry.store, 9.0), registry.current().version):
        registry.promote(version, who="tests", why="another")
        began, agreed = time.monotonic(), 0
        while agreed < 8:  # of each server several workers
            assert time.monotonic() - began < WITHIN
            agreed = agreed + 1 if all(version_of(one) == version for one in servers) else 0
        values = {
            httpx.post(f"{one.url}/v1/valuations", json=DAL, headers=one.headers, **PLAIN).json()["value"]
            for one in servers
        }
        assert len(values) == 1
        print(f"a promotion reached both servers, all workers, in {time.monotonic() - began:.1f} s")


def test_limits_hold_across_both(servers: tuple[Running, Running]) -> None:
    key = servers[0].call("keys", "create", "limited").strip()
    sent = count()

    def ask(_: int) -> int:
        one = servers[next(sent) % 2]
        headers = {"Authorization": f"Bearer {key}"}
        return httpx.get(f"{one.url}/v1/vocabulary", headers=headers, **PLAIN).status_code

    with ThreadPoolExecutor(8) as pool:
        assert Counter(pool.map(ask, range(400))) == {200: 300, 429: 100}


@dataclass
class Load:
    """Callers that ask both servers for values in turn, and remember each answer that they got."""

    servers: tuple[Running, Running]
    kept: dict[str, bytes] = field(default_factory=dict)
    failed: int = 0
    stop: threading.Event = field(default_factory=threading.Event)

    def ask(self, key: str) -> None:
        headers = {"Authorization": f"Bearer {key}"}
        for at in range(80):
            if self.stop.is_set():
                return
            try:
                url = f"{self.servers[at % 2].url}/v1/valuations"
                made = httpx.post(url, json=DAL, headers=headers, **PLAIN)
            except httpx.TransportError:
                self.failed += 1
                continue
            assert made.status_code == 201, made.text
            self.kept[made.headers["Location"]] = made.content


def test_one_that_is_killed_under_load_loses_nothing(servers: tuple[Running, Running]) -> None:
    first, second = servers
    load = Load(servers)
    keys = [second.call("keys", "create", f"caller {n}").strip() for n in range(4)]
    with ThreadPoolExecutor(4) as pool:
        asking = [pool.submit(load.ask, key) for key in keys]
        while len(load.kept) < 40:
            time.sleep(0.05)
        first.kill()
        before = len(load.kept)
        for one in asking:
            one.result()
    assert load.failed > 0 and len(load.kept) > before + 60  # the other one went on
    reader = {"Authorization": f"Bearer {second.call('keys', 'create', 'reader').strip()}"}
    with httpx.Client(base_url=second.url, headers=reader, timeout=30) as client:
        for at, (location, content) in enumerate(load.kept.items()):
            if at % 250 == 249:
                client.headers["Authorization"] = f"Bearer {second.call('keys', 'create', 'reader').strip()}"
            found = client.get(location)
            assert (found.status_code, found.content) == (200, content)
    first.start()
    location, content = next(iter(load.kept.items()))
    assert httpx.get(f"{first.url}{location}", headers=first.headers, **PLAIN).content == content
