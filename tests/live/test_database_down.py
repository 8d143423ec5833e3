"""A PostgreSQL that is stopped and started: what needs no record is answered, nothing is half written."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from fakes import write_fake
from postgres import new_database_of, server_in, start, stop
from running import Running

from models.bundles.registry import Registry

ASKED = {"instrument": {"maker": "Ostvik", "model": "Dal", "year": 1966}, "date": "2026-01-02"}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    found = server_in(tmp_path_factory.mktemp("postgres"))
    yield found
    found.cleanup()


@pytest.fixture
def database(server: Any) -> str:
    return new_database_of(server)


@pytest.fixture
def service(tmp_path: Path, database: str) -> Iterator[Running]:
    store = tmp_path / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    with Running(tmp_path, store, settings={"BOOKMATCH_DATABASE": database}) as running:
        yield running


def ask(service: Running, path: str, **headers: str) -> httpx.Response:
    """Ask on a new connection, so that every worker is asked now and then."""
    told = {**service.headers, **headers}
    with service.connecting() as http:
        if path.startswith("/v1/valuations/") or not path.startswith("/v1"):
            return http.get(path, headers=told)
        return http.post(path, json=ASKED, headers=told)


def assert_no_database(found: httpx.Response) -> None:
    assert (found.status_code, found.headers["Content-Type"]) == (503, "application/problem+json")
    assert found.json()["type"] == "/docs#problem-no-database" and int(found.headers["Retry-After"]) > 0
    assert "psycopg" not in found.text and "socket" not in found.text


def valued_again(service: Running) -> list[httpx.Response]:
    return [ask(service, "/v1/valuations", **{"Idempotency-Key": "while it was down"}) for _ in range(12)]


def test_what_needs_no_record_is_answered_while_the_database_is_down(
    server: Any, database: str, service: Running
) -> None:
    made = [ask(service, "/v1/valuations") for _ in range(24)]  # every worker has seen the key by now
    assert {one.status_code for one in made} == {201}
    plain = ask(service, "/v1/intervals").content
    stop(server)
    for _ in range(12):
        assert ask(service, "/v1/intervals").content == plain
        assert ask(service, "/v1/attributions").status_code == 200
        assert_no_database(ask(service, "/v1/valuations", **{"Idempotency-Key": "while it was down"}))
        assert_no_database(ask(service, made[0].headers["Location"]))
    ready = ask(service, "/readyz")
    assert ready.status_code == 503 and ready.json()["checks"]["database"]["problem"] == "it does not answer"
    assert ask(service, "/healthz").status_code == 200
    start(server)
    end = time.monotonic() + 5  # by then every worker has seen that the database is there again
    while {one.status_code for one in valued_again(service)} != {201}:
        assert time.monotonic() < end
    later = valued_again(service)
    assert {one.status_code for one in later} == {201} and len({one.content for one in later}) == 1
    for one in made:
        assert ask(service, one.headers["Location"]).content == one.content
    end = time.monotonic() + 5  # each worker looks at the database once a second
    while ask(service, "/readyz").status_code != 200:
        assert time.monotonic() < end
    assert kept(database) == (len(made) + 1, 1)


def kept(database: str) -> tuple[int, int]:
    """Count the valuations in the database, and the claims whose valuation is there."""
    claims = "SELECT count(*) FROM idempotency_claim c JOIN valuation v ON v.id = c.record_id"
    with psycopg.connect(database) as connection:
        valuations, whole, all_claims = (
            connection.execute(query).fetchone()[0]  # type: ignore[index]
            for query in ("SELECT count(*) FROM valuation", claims, "SELECT count(*) FROM idempotency_claim")
        )
    assert whole == all_claims
    return valuations, whole


class Caller(threading.Thread):
    """Asks under one Idempotency-Key after the other, each until it is answered; keeps the answers."""

    def __init__(self, service: Running, stop: threading.Event) -> None:
        super().__init__()
        self._service, self._ended = service, stop
        self.answered: dict[str, bytes] = {}
        self.seen: set[int] = set()
        self.failure: BaseException | None = None

    def run(self) -> None:
        try:
            with httpx.Client(
                base_url=self._service.url, headers=self._service.headers, timeout=30
            ) as client:
                while not self._ended.is_set():
                    self._one(client, f"{self.name}-{len(self.answered)}")
        except BaseException as error:
            self.failure = error

    def _one(self, client: httpx.Client, key: str) -> None:
        while True:
            found = client.post("/v1/valuations", json=ASKED, headers={"Idempotency-Key": key})
            self.seen.add(found.status_code)
            if found.status_code == 201:
                self.answered[found.headers["Location"]] = found.content
                return
            assert_no_database(found)
            time.sleep(0.05)


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGQUIT])
def test_a_restart_under_load_loses_and_doubles_nothing(
    server: Any, database: str, service: Running, how: signal.Signals
) -> None:
    ended = threading.Event()
    callers = [Caller(service, ended) for _ in range(6)]
    for caller in callers:
        caller.start()
    time.sleep(1)
    stop(server, how)
    time.sleep(1)
    start(server)
    time.sleep(2)
    ended.set()
    for caller in callers:
        caller.join()
        assert caller.failure is None
    assert set().union(*(caller.seen for caller in callers)) == {201, 503}
    answered = {path: body for caller in callers for path, body in caller.answered.items()}
    assert kept(database) == (len(answered), len(answered))
    with httpx.Client(base_url=service.url, headers=service.headers, timeout=60) as client:
        assert {path: client.get(path).content for path in answered} == answered
