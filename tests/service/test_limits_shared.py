"""Limits that servers share in a Redis: counted together, and by each alone while it is away."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import SECRET, Caller, assert_problem
from flask import Flask
from redis_server import RedisServer

from models.costs import COUNTERS_PAUSE, COUNTERS_SECONDS
from service.server.counters import Counters, Taken
from service.server.shared_counters import CounterStore, ServersCounters

TwoServers = Callable[..., tuple[Flask, Flask]]


@pytest.fixture
def redis(tmp_path: Path) -> Iterator[RedisServer]:
    with RedisServer(tmp_path) as found:
        yield found


@pytest.fixture
def servers(fake_store: Path, new_database: NewDatabase, redis: RedisServer) -> Iterator[TwoServers]:
    """Makes two servers on one database and one Redis; each has counters of its own beside."""
    made: list[Flask] = []

    def make(**limits: int) -> tuple[Flask, Flask]:
        address = new_database("sqlite")
        made.extend(make_app(fake_store, address, limits=redis.address, **limits) for _ in range(2))
        return made[-2], made[-1]

    yield make
    for app in made:
        parts(app).engine.dispose()


@pytest.fixture
def logged(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The log of the shared counts."""
    events: list[str] = []
    log = SimpleNamespace(**dict.fromkeys(("info", "warning"), lambda event, **_: events.append(event)))
    monkeypatch.setattr("service.server.shared_counters._log", log)
    return events


def counters(address: str, alone: Counters | None = None) -> ServersCounters:
    return ServersCounters(CounterStore(address, SECRET), "key", alone or Counters(1))


def ask(caller: Caller, address: str = "192.0.2.1", **headers: str) -> Any:
    place = {"REMOTE_ADDR": address}
    return caller.client.get("/v1/vocabulary", headers=caller.headers(headers), environ_base=place)


def test_a_key_has_one_quota_on_all_servers(servers: TwoServers) -> None:
    first, second = servers(limit_system=4, limit_seconds=60)
    one = caller_of(first)
    other = Caller(second, one.key)
    left = [ask(caller).headers["RateLimit"] for caller in (one, other, one, other)]
    assert [re.sub(r";t=\d+", "", text) for text in left] == [f'"key";r={n}' for n in (3, 2, 1, 0)]
    for caller in (other, one):
        refused = ask(caller)
        assert "4 requests in 60 seconds" in assert_problem(refused, 429, "limit")["detail"]
        assert 50 <= int(refused.headers["Retry-After"]) <= 60
    assert ask(caller_of(second)).status_code == 200  # another key has its own


def test_an_address_has_one_quota_on_all_servers(servers: TwoServers, redis: RedisServer) -> None:
    strangers = [Caller(app, None) for app in servers(limit_address=3)]
    statuses = [ask(strangers[at % 2]).status_code for at in range(5)]
    assert statuses == [401] * 3 + [429] * 2
    assert ask(strangers[0], "192.0.2.2").status_code == 401
    names = redis.keys()
    assert len(names) == 2 and not any("192.0.2" in name for name in names)
    assert all(re.fullmatch(r"bookmatch:[0-9a-f]{32}", name) for name in names)


def test_a_window_begins_with_the_first_request_and_ends(redis: RedisServer) -> None:
    counted = counters(redis.address)
    assert [counted.take("a", 2, 2).allowed for _ in range(3)] == [True, True, False]
    assert counted.count("a", 2) >= 2 and counted.count("b", 2) == 0
    time.sleep(2.1)
    assert counted.count("a", 2) == 0 and counted.take("a", 2, 2) == Taken(True, 1, 2)


def test_an_amount_that_is_too_much_uses_nothing_up(redis: RedisServer) -> None:
    counted = counters(redis.address)
    assert counted.take("bytes", 100, 60, 70) == Taken(True, 30, 60)
    assert not counted.take("bytes", 100, 60, 31).allowed
    assert counted.take("bytes", 100, 60, 30).allowed and counted.count("bytes", 60) == 100


def test_requests_at_the_same_moment_are_counted_exactly(redis: RedisServer) -> None:
    several, allowed = [counters(redis.address) for _ in range(3)], []

    def ask_often(counted: ServersCounters) -> None:
        allowed.extend(counted.take("rush", 100, 60).allowed for _ in range(80))

    threads = [threading.Thread(target=ask_often, args=(one,)) for one in several]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(allowed), sum(allowed)) == (240, 100)


def test_while_it_is_away_each_server_counts_for_itself_and_says_so(
    servers: TwoServers,
    redis: RedisServer,
    logged: list[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    first, second = servers(limit_system=3)
    operator = caller_of(first, "metrics")
    caller = caller_of(first)
    other = Caller(second, caller.key)
    assert ask(caller).status_code == 200
    redis.stop()
    assert [ask(caller).status_code for _ in range(4)] == [200, 200, 200, 429]
    assert [ask(other).status_code for _ in range(4)] == [200, 200, 200, 429]
    told = operator.get("/readyz")
    assert told.status_code == 200 and told.json["status"] == "ready"
    assert told.json["checks"]["limits"] == {
        "ok": True,
        "problem": "the shared counts do not answer: each server counts for itself",
    }
    assert logged == ["shared counts away"] * 2  # once by each server
    redis.start()
    monkeypatch.setattr(parts(first).limits._store, "_asked_again", 0.0)  # as after the pause
    assert ask(caller).status_code == 200
    assert operator.get("/readyz").json["checks"]["limits"] == {"ok": True, "problem": None}
    assert logged[2:] == ["shared counts back"]


@pytest.mark.usefixtures("logged")
def test_one_that_says_nothing_is_waited_for_once_and_briefly(redis: RedisServer) -> None:
    counted = counters(redis.address)
    assert counted.take("a", 9, 60).left == 8
    redis.freeze()
    took = []
    for _ in range(20):
        began = time.monotonic()
        counted.take("a", 9, 60)
        took.append(time.monotonic() - began)
    # Twice the time for an answer, since an idle connection is tried once more; then no request waits.
    assert took[0] < 4 * COUNTERS_SECONDS and max(took[1:]) < COUNTERS_SECONDS / 2
    assert COUNTERS_PAUSE > 10 * COUNTERS_SECONDS


def test_without_an_address_nothing_is_shared(fake_store: Path, new_database: NewDatabase) -> None:
    address = new_database("sqlite")
    apps = [make_app(fake_store, address, limit_system=1) for _ in range(2)]
    caller = caller_of(apps[0])
    assert [ask(one).status_code for one in (caller, caller, Caller(apps[1], caller.key))] == [200, 429, 200]
    for app in apps:
        parts(app).engine.dispose()
