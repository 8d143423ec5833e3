"""Limits: what counts against what, what is said of it, and what must not escape it."""

from __future__ import annotations

import fcntl
import os
import re
import signal
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, keys_of, make_app, parts
from asking import AUTHORIZATIONS, DAL, Caller, assert_problem
from flask import Flask
from statements import counted

from service.server.counters import Counters
from service.server.quotas import network_of

HERE = {"Origin": "https://guitars.example"}
NewApp = Callable[..., Flask]
# Later Pythons warn of forks beside threads: the children here touch nothing that a thread could hold.
forks = pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")


@pytest.fixture
def new_app(fake_store: Path, new_database: NewDatabase) -> Iterator[NewApp]:
    made: list[Flask] = []

    def make(**limits: int) -> Flask:
        app = make_app(fake_store, new_database("sqlite"), **limits)
        made.append(app)
        return app

    yield make
    for app in made:
        parts(app).engine.dispose()


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    now = [1000.0]
    monkeypatch.setattr("service.server.counters.time.monotonic", lambda: now[0])
    return now


def ask(caller: Caller, address: str = "192.0.2.1", **headers: str) -> Any:
    place = {"REMOTE_ADDR": address}
    return caller.client.get("/v1/vocabulary", headers=caller.headers(headers), environ_base=place)


# ── over HTTP ────────────────────────────────────────────────────────────────


def test_a_key_has_its_quota_and_is_told_what_is_left(new_app: NewApp, clock: list[float]) -> None:
    caller = caller_of(new_app(limit_system=3, limit_seconds=60))
    for left, seconds in ((2, 60), (1, 50), (0, 40)):
        found = ask(caller)
        assert found.status_code == 200
        assert found.headers["RateLimit-Policy"] == '"key";q=3;w=60'
        assert found.headers["RateLimit"] == f'"key";r={left};t={seconds}'
        clock[0] += 10
    refused = ask(caller)
    assert "3 requests in 60 seconds" in assert_problem(refused, 429, "limit")["detail"]
    assert (refused.headers["Retry-After"], refused.headers["RateLimit"]) == ("30", '"key";r=0;t=30')
    clock[0] += 29.5
    assert ask(caller).headers["Retry-After"] == "1"  # never 0, which would be a lie
    clock[0] += 0.5
    assert ask(caller).headers["RateLimit"] == '"key";r=2;t=60'


def test_each_key_has_a_quota_of_its_own_and_a_rotated_key_keeps_its_count(new_app: NewApp) -> None:
    app = new_app(limit_system=2)
    one, other = caller_of(app), caller_of(app)
    assert [ask(one).status_code for _ in range(3)] == [200, 200, 429]
    assert ask(other).status_code == 200
    rotated = Caller(app, keys_of(app).rotate((one.key or "").split("_")[1]))
    assert ask(rotated).status_code == 429


def test_no_authorization_header_escapes(new_app: NewApp) -> None:
    app = new_app(limit_address=len(AUTHORIZATIONS))
    good = caller_of(app)
    for authorization in AUTHORIZATIONS:
        headers = {} if authorization is None else {"Authorization": authorization}
        found = app.test_client().get("/v1/vocabulary", headers=headers)
        assert found.status_code == 401
        assert found.headers["RateLimit-Policy"] == f'"address";q={len(AUTHORIZATIONS)};w=60'
    for authorization in AUTHORIZATIONS:
        headers = {} if authorization is None else {"Authorization": authorization}
        assert_problem(app.test_client().get("/v1/vocabulary", headers=headers), 429, "limit")
    assert ask(good, "127.0.0.1").status_code == 200  # a valid key from there has its own


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/nowhere"),
        ("GET", "/docs"),
        ("HEAD", "/openapi.json"),
        ("DELETE", "/docs"),
        ("OPTIONS", "/docs"),
    ],
)
def test_every_path_and_method_counts(new_app: NewApp, method: str, path: str) -> None:
    client = new_app(limit_address=2).test_client()
    assert 429 not in [client.open(path, method=method).status_code for _ in range(2)]
    assert client.open(path, method=method).status_code == 429


def test_who_watches_the_service_is_always_answered(new_app: NewApp) -> None:
    nobody = Caller(new_app(limit_address=1), None)
    for path in ("/healthz", "/readyz") * 3:
        found = nobody.get(path)
        assert found.status_code == 200 and "RateLimit" not in found.headers


def test_a_question_of_health_looks_no_key_up(new_app: NewApp) -> None:
    caller = caller_of(new_app())
    with counted(caller.app) as sent:
        assert caller.get("/healthz").status_code == 200
    assert sent == []


def test_a_limit_of_nought_is_none(new_app: NewApp) -> None:
    caller = caller_of(new_app(limit_system=0))
    for _ in range(5):
        found = ask(caller)
        assert found.status_code == 200 and "RateLimit" not in found.headers


def test_one_visitor_cannot_use_up_what_all_share(new_app: NewApp) -> None:
    app = new_app(limit_visitor=2, limit_website=4)
    form = Caller(app, keys_of(app).create("form", kind="website", origins=[HERE["Origin"]])[1])
    first = ask(form, "192.0.2.1", **HERE)
    assert first.headers["RateLimit-Policy"] == '"visitor";q=2;w=60, "key";q=4;w=60'
    assert re.sub(r"t=\d+", "t=", first.headers["RateLimit"]) == '"visitor";r=1;t=, "key";r=3;t='
    assert [ask(form, "192.0.2.1", **HERE).status_code for _ in range(6)] == [200, *[429] * 5]
    assert [ask(form, "192.0.2.2", **HERE).status_code for _ in range(2)] == [200, 200]
    refused = ask(form, "192.0.2.3", **HERE)
    assert "'key'" in assert_problem(refused, 429, "limit")["detail"]


def test_what_a_caller_says_of_its_address_counts_only_behind_so_many_proxies(new_app: NewApp) -> None:
    def statuses(app: Flask, forwarded: str) -> list[int]:
        nobody = Caller(app, None)
        return [ask(nobody, **{"X-Forwarded-For": forwarded.format(at)}).status_code for at in range(3)]

    assert statuses(new_app(limit_address=2), "198.51.100.{}") == [401, 401, 429]
    assert statuses(new_app(limit_address=2, proxies=1), "198.51.100.{}") == [401, 401, 401]
    # What the caller wrote before the proxy's own entry is hearsay.
    assert statuses(new_app(limit_address=2, proxies=1), "198.51.100.{}, 203.0.113.7") == [401, 401, 429]


def test_counting_asks_no_database(new_app: NewApp) -> None:
    caller = caller_of(new_app(limit_system=10))
    ask(caller)
    with counted(caller.app) as sent:
        assert caller.post("/v1/attributions", DAL).status_code == 200
    assert sent == []


# ── places and counts ────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("address", "place"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2::", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("192.0.2.7:40123", "192.0.2.7"),
        ("[2001:db8:1:2:3:4:5:6]:40123", "2001:db8:1:2::/64"),
        ("[2001:db8:1:2::9]", "2001:db8:1:2::/64"),
        ("[::ffff:192.0.2.7]:40123", "192.0.2.7"),
        ("not:an:address", "not:an:address"),
        (None, ""),
    ],
)
def test_a_holder_of_addresses_is_one_place(address: str | None, place: str) -> None:
    assert network_of(address) == place


@forks
def test_processes_and_threads_count_together_and_none_is_lost() -> None:
    counters, quota, each = Counters(), 2**31, 2500
    start, go = os.pipe()

    def many() -> None:
        for _ in range(each):
            counters.take("key", quota, 60)

    children = []
    for _ in range(4):
        child = os.fork()
        if not child:
            os.read(start, 1)  # all begin at once
            threads = [threading.Thread(target=many) for _ in range(4)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            os._exit(0)
        children.append(child)
    os.write(go, b"1234")
    assert [os.waitpid(child, 0)[1] for child in children] == [0] * 4
    assert quota - counters.take("key", quota, 60).left == 4 * 4 * each + 1


@forks
def test_a_process_that_dies_holding_the_lock_stops_nobody() -> None:
    counters = Counters()
    child = os.fork()
    if not child:
        fcntl.lockf(counters._file, fcntl.LOCK_EX)
        os.kill(os.getpid(), signal.SIGKILL)
    os.waitpid(child, 0)
    assert counters.take("other", 1, 60).allowed


def test_a_crowd_makes_no_heavy_caller_forgotten() -> None:
    counters = Counters(sets=1)  # room for eight
    for _ in range(5):
        counters.take("heavy", 5, 60)
    for at in range(1000):
        assert counters.take(f"crowd {at}", 5, 60).allowed
    assert not counters.take("heavy", 5, 60).allowed


def test_places_that_are_free_again_are_used_again(clock: list[float]) -> None:
    counters = Counters(sets=1)
    for at in range(8):
        counters.take(f"early {at}", 1, 60)
    clock[0] += 61
    for at in range(8):
        assert counters.take(f"late {at}", 1, 60).allowed
    assert not any(counters.take(f"late {at}", 1, 60).allowed for at in range(8))


def test_a_clock_that_began_anew_forgets_what_lies_ahead(clock: list[float]) -> None:
    counters = Counters()
    assert counters.take("name", 1, 60).allowed
    clock[0] = 5.0
    assert counters.take("name", 1, 60).allowed


def test_nothing_of_an_address_stands_in_memory() -> None:
    counters = Counters(sets=4)
    counters.take("198.51.100.77", 5, 60)
    assert b"198.51" not in bytes(counters._memory)
