"""Stock lists on the real server: slow callers, callers that go away, callers that read last, and memory."""

from __future__ import annotations

import csv
import io
import json
import random
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fakes import write_fake
from running import Running, peak

from models.bundles.registry import Registry
from models.domain.instrument import Instrument

CSV, NDJSON = {"Content-Type": "text/csv"}, {"Content-Type": "application/x-ndjson"}
PATH = "/v1/stocklists"
HEAD = b"id,maker,model,condition_neck\n"
TIMEOUT = 2  # seconds after which a worker that hangs is replaced


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("bulk")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    settings = {"BOOKMATCH_WORKERS": "1", "BOOKMATCH_TIMEOUT": str(TIMEOUT), "BOOKMATCH_GRACE": "1"}
    with Running(folder, folder / "store", settings=settings) as running:
        yield running


@pytest.fixture
def http(served: Running) -> Iterator[httpx.Client]:
    # The pieces that are counted here are those of the rows themselves.
    headers = {**served.headers, "Accept-Encoding": "identity"}
    with httpx.Client(base_url=served.url, headers=headers, timeout=60) as client:
        yield client


def rows(count: int, first: int = 0) -> bytes:
    return b"".join(b"R%d,Ostvik,Dal,%d\n" % (n, n % 6) for n in range(first, first + count))


def ids(text: str) -> list[str]:
    return [row["id"] for row in csv.DictReader(io.StringIO(text)) if row["value"]]


def ended(served: Running, many: int) -> list[dict[str, Any]]:
    """The lines that the log has of lists that have ended; waits until there are so many."""
    end = time.monotonic() + 20
    while time.monotonic() < end:
        lines = [json.loads(line) for line in served.log.splitlines() if '"stock list"' in line]
        if len(lines) >= many:
            return lines
        time.sleep(0.05)
    raise AssertionError(served.log[-2000:])


def slowly(body: bytes, seconds: float, pieces: int = 20) -> Iterator[bytes]:
    size = len(body) // pieces + 1
    for start in range(0, len(body), size):
        yield body[start : start + size]
        time.sleep(seconds / pieces)


@pytest.mark.parametrize("length", [None, "said"])
def test_a_slow_sender_is_waited_for_longer_than_a_worker_may_hang(
    http: httpx.Client, served: Running, length: str | None
) -> None:
    body = HEAD + rows(300)
    headers = {**CSV, **({"Content-Length": str(len(body))} if length else {})}
    found = http.post(PATH, content=slowly(body, TIMEOUT + 1.5), headers=headers)
    assert ids(found.text) == [f"R{n}" for n in range(300)]
    assert "WORKER TIMEOUT" not in served.log


def test_a_slow_reader_is_waited_for_too(http: httpx.Client, served: Running) -> None:
    count, text = 6000, b""
    with http.stream("POST", PATH, content=HEAD + rows(count), headers=CSV) as found:
        for number, piece in enumerate(found.iter_raw(100_000)):
            text += piece
            time.sleep((TIMEOUT + 1.5) / 15 if number < 15 else 0)
    assert ids(text.decode()) == [f"R{n}" for n in range(count)]
    assert "WORKER TIMEOUT" not in served.log


def test_a_caller_that_reads_nothing_before_all_is_sent_is_answered(http: httpx.Client) -> None:
    # More than what lies between the two can hold, both ways: ten megabytes there, ten back.
    count, wide = 6000, "x" * 2000
    head = HEAD.replace(b"\n", b",note\n")
    body = b"".join(b"R%d,Ostvik,Dal,1,%s\n" % (n, wide.encode()) for n in range(count))
    found = http.post(PATH, content=head + body, headers=CSV)
    assert len(body) > 10_000_000 and ids(found.text) == [f"R{n}" for n in range(count)]


def test_the_first_values_come_long_before_the_last(http: httpx.Client) -> None:
    began = time.monotonic()
    with http.stream("POST", PATH, content=HEAD + rows(6000), headers=CSV) as found:
        pieces = found.iter_raw()
        first = next(pieces)
        early = time.monotonic() - began
        text = first + b"".join(pieces)
    assert len(ids(text.decode())) == 6000
    assert early < (time.monotonic() - began) / 4


def test_a_caller_that_goes_away_stops_the_work(http: httpx.Client, served: Running) -> None:
    before, count = len(ended(served, 0)), 200_000
    with http.stream("POST", PATH, content=HEAD + rows(count), headers=CSV) as found:
        next(found.iter_raw())
    last = ended(served, before + 1)[-1]
    assert not last["ended"] and last["valued"] < count / 2
    assert http.post("/v1/stocklists", content=HEAD + rows(1), headers=CSV).status_code == 200


def test_a_caller_that_goes_away_while_sending_harms_nobody(http: httpx.Client, served: Running) -> None:
    head = f"POST {PATH} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {served.key}\r\n"
    body = HEAD + rows(100)
    for kind in (f"Content-Length: {2 * len(body)}", "Transfer-Encoding: chunked"):
        with socket.create_connection(("127.0.0.1", served.port)) as caller:
            caller.sendall(f"{head}Content-Type: text/csv\r\n{kind}\r\n\r\n".encode())
            caller.sendall((b"%x\r\n" % len(body) if "chunked" in kind else b"") + body)
    assert ids(http.post(PATH, content=HEAD + rows(3), headers=CSV).text) == ["R0", "R1", "R2"]
    assert '"event":"failed"' not in served.log


@pytest.mark.parametrize(
    ("path", "form"), [(PATH, CSV), ("/v1/intervals", {"Content-Type": "application/json"})]
)
def test_chunks_that_are_none_are_a_problem_of_the_caller(
    served: Running, path: str, form: dict[str, str]
) -> None:
    head = f"POST {path} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {served.key}\r\nContent-Type: "
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as caller:
        caller.sendall(
            f"{head}{form['Content-Type']}\r\nTransfer-Encoding: chunked\r\n\r\nno size\r\n".encode()
        )
        said = ""
        # Head and body can come apart; nothing more comes once the server has closed.
        while "#problem-broke-off" not in said and (piece := caller.recv(65536).decode()):
            said += piece
    assert said.startswith("HTTP/1.1 400") and "#problem-broke-off" in said
    assert '"event":"failed"' not in served.log


def test_a_large_body_that_is_refused_does_not_cost_the_next_request_its_answer(http: httpx.Client) -> None:
    for _ in range(20):
        refused = http.post(
            "/v1/intervals", content="x" * 300_000, headers={"Content-Type": "application/json"}
        )
        assert (refused.status_code, refused.headers["Connection"]) == (413, "close")
        assert http.get("/v1/vocabulary").status_code == 200


def test_memory_does_not_grow_with_the_list(http: httpx.Client, served: Running) -> None:
    (worker,) = served.workers()

    def send(body: bytes, form: dict[str, str]) -> None:
        with http.stream("POST", PATH, content=body, headers=form) as found:
            assert sum(piece.count(b"\n") for piece in found.iter_raw()) >= body.count(b"\n") - 1

    line = json.dumps({"id": "A", "instrument": {"maker": "Ostvik", "model": "Dal"}}).encode() + b"\n"
    bodies: tuple[tuple[Callable[[int], bytes], dict[str, str]], ...] = (
        (lambda count: HEAD + rows(count), CSV),
        (lambda count: line * count, NDJSON),
    )
    for body, form in bodies:
        peak(worker)
        send(body(1000), form)
        before = peak(worker)
        send(body(8000), form)
        grown = peak(worker) - before
        print(f"8,000 rows of {form['Content-Type']}: {grown:.1f} MB more than 1,000")
        assert grown < 5


# ── on a fitted model ────────────────────────────────────────────────────────

ROWS, SAMPLE = 600, 60


@pytest.fixture(scope="module")
def stock(demo_market: Path) -> list[dict[str, str]]:
    """The demo's stock list and later sales, each row with a day, a market and some cells emptied."""
    known: list[dict[str, str]] = []
    for name in ("instruments.csv", "holdout.csv"):
        with (demo_market / name).open(encoding="utf-8", newline="") as stream:
            known += csv.DictReader(stream)
    chance, made = random.Random(5), []
    for number in range(ROWS):
        it = Instrument.from_flat(known[number % len(known)]).to_flat()
        cells = {n: c if n in ("maker", "model") or chance.random() < 0.8 else "" for n, c in it.items()}
        day, market = f"2026-0{chance.randint(1, 6)}-17", chance.choice(("private", "dealer", "auction"))
        made.append({"id": f"N{number}", "date": day, "channel": market, **cells})
    return made


def test_both_forms_say_what_one_request_for_each_row_says_to_the_cent(
    stock: list[dict[str, str]], demo_store: Path, tmp_path: Path
) -> None:
    own = ("id", "date", "channel")
    its = [Instrument.from_flat(row).to_nested() for row in stock]
    asked = [{**{n: row[n] for n in own}, "instrument": it} for row, it in zip(stock, its, strict=True)]
    out = io.StringIO()
    writer = csv.DictWriter(out, list(stock[0]))
    writer.writeheader()
    writer.writerows(stock)
    query = "?currency=EUR&levels=0.8,0.95"
    with (
        Running(tmp_path, demo_store, fake=False) as service,
        httpx.Client(base_url=service.url, headers=service.headers, timeout=60) as http,
    ):
        table = http.post(PATH + query, content=out.getvalue(), headers=CSV).text
        lines = http.post(PATH + query, content="\n".join(map(json.dumps, asked)), headers=NDJSON).text
        cells, objects = list(csv.DictReader(io.StringIO(table))), [*map(json.loads, lines.splitlines())]
        assert [row["id"] for row in cells] == [one["id"] for one in objects] == [row["id"] for row in stock]
        for number in random.Random(6).sample(range(ROWS), SAMPLE):
            body = {**asked[number], "currency": "EUR", "levels": [0.8, 0.95]}
            del body["id"]
            alone, row, one = http.post("/v1/attributions", json=body).json(), cells[number], objects[number]
            assert row["value"] == one["value"] == alone["value"]
            assert row["reference_value"] == one["reference_value"] == alone["reference"]["value"]
            assert one["intervals"] == alone["intervals"] and row["low_95"] == alone["intervals"][1]["low"]
            assert row["evidence"] == one["evidence"] == alone["evidence"]["word"]
