"""The service as it is run: gunicorn, two workers, real HTTP."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from asking import DAL, assert_problem
from fakes import write_fake
from running import Running, resident

from models.bundles.registry import Registry

HEAVY = "{'lightgbm', 'scipy', 'pandas', 'matplotlib', 'training', 'alembic'}"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, fake_store: Path) -> Iterator[Running]:
    with Running(tmp_path_factory.mktemp("served"), fake_store) as running:
        yield running


@pytest.fixture
def http(served: Running) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=served.url, headers=served.headers, timeout=30) as client:
        yield client


def test_a_valuation_over_http(http: httpx.Client) -> None:
    made = http.post("/v1/valuations", json=DAL)
    assert (made.status_code, made.json()["value"]) == (201, "2980.96")
    assert http.get(made.headers["Location"]).content == made.content


def test_a_body_of_five_megabytes_is_answered_not_cut_off(served: Running) -> None:
    body = b'{"padding": "' + b"x" * 5_000_000 + b'"}'
    kind = {**served.headers, "Content-Type": "application/json"}
    for _ in range(5):
        assert_problem(
            httpx.post(f"{served.url}/v1/valuations", content=body, headers=kind, timeout=60),
            413,
            "too-large",
        )


def test_a_large_body_in_chunks_is_refused_too(served: Running) -> None:
    kind = {**served.headers, "Content-Type": "application/json"}
    found = httpx.post(
        f"{served.url}/v1/valuations", content=(b"x" * 65536 for _ in range(8)), headers=kind, timeout=60
    )
    assert_problem(found, 413, "too-large")


def test_what_lies_past_the_limit_is_not_left_out(served: Running) -> None:
    kind = {**served.headers, "Content-Type": "application/json"}
    whole = json.dumps(DAL).encode()
    for size, status in ((256 * 1024, 200), (256 * 1024 + 1, 413), (300_000, 413)):
        body = iter([whole, b" " * (size - len(whole))])
        found = httpx.post(f"{served.url}/v1/intervals", content=body, headers=kind, timeout=60)
        assert found.status_code == status


def test_a_small_body_in_chunks_is_read(served: Running) -> None:
    kind = {**served.headers, "Content-Type": "application/json"}
    body = json.dumps(DAL).encode()
    found = httpx.post(
        f"{served.url}/v1/intervals", content=iter([body[:9], body[9:]]), headers=kind, timeout=60
    )
    assert found.status_code == 200


def test_many_at_once_each_get_their_own_answer(served: Running) -> None:
    def ask(step: int) -> tuple[int, str]:
        body = {"instrument": {**DAL["instrument"], "condition": {"neck": step % 6}}, "date": DAL["date"]}
        with httpx.Client(base_url=served.url, headers=served.headers, timeout=30) as client:
            return step % 6, client.post("/v1/valuations", json=body).json()["value"]

    with ThreadPoolExecutor(16) as pool:
        found = set(pool.map(ask, range(96)))
    # e^8, e^7.9, … e^7.5, from tables.
    assert found == {
        (0, "2980.96"),
        (1, "2697.28"),
        (2, "2440.60"),
        (3, "2208.35"),
        (4, "1998.20"),
        (5, "1808.04"),
    }


def test_problems_over_http(http: httpx.Client, served: Running) -> None:
    assert_problem(http.post("/v1/valuations", json={"instrument": {}}), 422, "fields")
    assert_problem(http.get("/nowhere"), 404, "path")
    assert_problem(http.request("DELETE", "/healthz"), 405, "method")
    assert_problem(httpx.get(f"{served.url}/v1/vocabulary", timeout=60), 401, "key-missing")
    assert http.head("/healthz").status_code == 200


def test_names_in_paths_arrive_whatever_they_hold(http: httpx.Client) -> None:
    found = http.get("/v1/catalogue/makers/S%C3%A9raphine%20%26%20Fils/models/%C3%89toile")
    assert found.json()["name"] == "Étoile"
    assert_problem(http.get("/v1/catalogue/makers/%FF%00"), 404, "name")


def test_the_log_is_json_and_holds_nothing_personal(http: httpx.Client, served: Running) -> None:
    body = {**DAL, "instrument": {**DAL["instrument"], "serial": "QX-ZYZY-88", "finish": "Tarnish"}}
    made = http.post("/v1/valuations", json=body)
    http.post("/v1/valuations", json={"instrument": {"maker": "QX-ZYZY-88", "serial": ["ZYZY"]}})
    key = served.new_key("evidence")
    sale = {
        "id": "S-9",
        "kind": "sale",
        "date": "2025-06-01",
        "price": "1800.00",
        "currency": "USD",
        "channel": "dealer",
    }
    noted = {**sale, "source": "from ZYZY of Ostvik Lane", "instrument": body["instrument"]}
    entitled = {"Authorization": f"Bearer {key}"}
    assert http.post("/v1/evidence", json=noted, headers=entitled).status_code == 201
    csv = {**entitled, "Content-Type": "text/csv"}
    http.post("/v1/evidence", content="kind,source,serial\nsale,ZYZY,ZYZY\n", headers=csv)
    csv["Authorization"] = http.headers["Authorization"]
    http.post("/v1/stocklists", content="id,maker,serial\nZYZY,Ostvig,ZYZY\n", headers=csv)
    http.get("/v1/catalogue/makers/ZYZY?q=ZYZY")
    lines = [json.loads(line) for line in served.log.splitlines()]
    own = next(line for line in lines if line.get("request_id") == made.headers["X-Request-ID"])
    assert own["route"] == "/v1/valuations" and own["status"] == 201 and own["ms"] > 0
    assert own["key"] == served.key.split("_")[1] and own["model_version"] == made.json()["model_version"]
    assert "ZYZY" not in served.log and "Tarnish" not in served.log and served.key not in served.log
    listening = [line for line in lines if line["event"].startswith("Workers listen at")]
    assert "127.0.0.1" not in "".join(json.dumps(line) for line in lines if line not in listening)


def test_a_worker_loads_no_library_of_fitting_or_migrating() -> None:
    code = f"import service.app, sys; print({HEAVY} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"


def test_a_worker_holds_at_most_150_megabytes(http: httpx.Client, served: Running) -> None:
    for _ in range(50):
        http.post("/v1/attributions", json=DAL)
    assert len(served.workers()) == 2
    for worker in served.workers():
        assert resident(worker) < 150


def test_a_promotion_reaches_every_worker_and_no_answer_is_lost(tmp_path: Path) -> None:
    store = tmp_path / "store"
    values = {write_fake(store, base=base): value for base, value in ((8.0, "2980.96"), (9.0, "8103.08"))}
    first, second = values
    Registry(store).promote(first, who="tests", why="to serve")
    with Running(tmp_path, store) as served:
        seen, stop = set(), threading.Event()

        def ask() -> None:
            with httpx.Client(base_url=served.url, headers=served.headers, timeout=30) as client:
                while not stop.is_set():
                    body = client.post("/v1/attributions", json=DAL).json()
                    assert values[body["model_version"]] == body["value"]
                    seen.add(body["model_version"])

        with ThreadPoolExecutor(4) as pool:
            asking = [pool.submit(ask) for _ in range(4)]
            for version in (second, first, second):
                time.sleep(0.8)
                Registry(store).promote(version, who="tests", why="another")
            time.sleep(1.5)
            stop.set()
            for one in asking:
                one.result()
        assert seen == set(values)
        for _ in range(8):  # a new connection each: both workers are asked
            answer = httpx.post(f"{served.url}/v1/intervals", json=DAL, headers=served.headers, timeout=60)
            assert answer.json()["model_version"] == second


def test_told_to_stop_it_ends_well_and_keeps_what_it_answered(tmp_path: Path, fake_store: Path) -> None:
    with Running(tmp_path, fake_store) as served:
        answers: list[httpx.Response] = []

        def ask() -> None:
            with httpx.Client(base_url=served.url, headers=served.headers, timeout=30) as client:
                try:
                    while True:
                        answers.append(client.post("/v1/valuations", json=DAL))
                except httpx.TransportError:  # no longer there, or gone between two requests
                    return

        threads = [threading.Thread(target=ask) for _ in range(4)]
        for thread in threads:
            thread.start()
        time.sleep(0.5)
        served.terminate()
        assert served.ended(20) == 0
        for thread in threads:
            thread.join()
        assert len(answers) > 20 and {answer.status_code for answer in answers} == {201}
        served.start()
        with httpx.Client(base_url=served.url, headers=served.headers, timeout=30) as client:
            for answer in answers:
                assert client.get(answer.headers["Location"]).content == answer.content
