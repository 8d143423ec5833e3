"""The client: what it tries again and what not, one key for all tries, pages, lists, and what went wrong."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from apps import parts
from asking import DAL
from clients import Lossy, client_of, scripted, waits
from flask import Flask
from sqlalchemy import func, select

from service import client as client_module
from service.client import Client, ClientError, ProblemError, UnreachableError
from service.db.tables import VALUATIONS

pytestmark = pytest.mark.usefixtures(waits.__name__)
IT = DAL["instrument"]
SALE = {"kind": "sale", "date": "2025-01-02", "price": "900.00", "currency": "USD", "channel": "dealer"}
Handler = Callable[[httpx.Request], httpx.Response]


def problem(status: int, kind: str = "x", **headers: str) -> httpx.Response:
    body = {"type": f"/docs#problem-{kind}", "title": "No", "status": status, "detail": "Because."}
    return httpx.Response(status, json=body, headers=headers)


DONE = {"value": "1.00"}


# ── tries ────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "first",
    [httpx.ReadError, httpx.ReadTimeout, httpx.ConnectError, httpx.RemoteProtocolError, 429, 502, 503, 504],
)
def test_a_post_is_tried_again_with_the_key_of_the_first_try(first: Any, waits: list[float]) -> None:
    lost = problem(first) if isinstance(first, int) else first
    client, asked = scripted(lost, lost, httpx.Response(201, json=DONE), httpx.Response(201, json=DONE))
    assert client.value(IT) == DONE
    keys = [request.headers["Idempotency-Key"] for request in asked]
    assert len(keys) == 3 and len(set(keys)) == 1 and len({request.content for request in asked}) == 1
    assert len(waits) == 2
    client.value(IT)
    assert asked[3].headers["Idempotency-Key"] != keys[0]


def test_a_first_try_still_at_work_is_waited_for() -> None:
    client, asked = scripted(problem(409, "in-flight"), httpx.Response(201, json=DONE))
    assert client.value(IT) == DONE and len(asked) == 2


@pytest.mark.parametrize(
    "answer", [problem(500), problem(422, "other-body"), problem(409, "taken"), problem(404), problem(507)]
)
def test_what_another_try_cannot_mend_is_raised_at_once(answer: httpx.Response) -> None:
    client, asked = scripted(answer)
    with pytest.raises(ProblemError):
        client.value(IT)
    assert len(asked) == 1


def test_what_could_have_been_done_already_is_not_done_twice() -> None:
    for lost in (httpx.ReadError, httpx.ReadTimeout, httpx.RemoteProtocolError, problem(502), problem(504)):
        client, asked = scripted(lost)
        with pytest.raises(ClientError):
            client.call("DELETE", "/v1/evidence/1")
        assert len(asked) == 1
    for unsent in (httpx.ConnectError, httpx.ConnectTimeout, problem(503), problem(429)):
        client, asked = scripted(unsent, httpx.Response(200, json={}))
        assert client.call("DELETE", "/v1/evidence/1").status_code == 200 and len(asked) == 2


def test_it_gives_up_and_says_why() -> None:
    client, asked = scripted(*[httpx.ReadTimeout] * 9)
    with pytest.raises(UnreachableError, match="ReadTimeout"):
        client.call("GET", "/v1/vocabulary")
    assert len(asked) == 5


def test_the_wait_that_is_asked_for_is_kept(waits: list[float]) -> None:
    at = format_datetime(datetime.now(UTC) + timedelta(seconds=30), usegmt=True)
    client, _ = scripted(
        problem(429, **{"Retry-After": "7"}),
        problem(503, **{"Retry-After": at}),
        httpx.Response(200, json={}),
    )
    client.call("GET", "/v1/vocabulary")
    assert waits[0] == 7 and 25 < waits[1] <= 30


def test_a_wait_that_is_too_long_is_not_waited_for(waits: list[float]) -> None:
    client, asked = scripted(problem(429, "too-many", **{"Retry-After": "3600"}))
    with pytest.raises(ProblemError) as raised:
        client.call("GET", "/v1/vocabulary")
    assert (raised.value.kind, len(asked), waits) == ("too-many", 1, [])


def test_waits_grow_and_are_drawn_at_random(waits: list[float]) -> None:
    for _ in range(40):
        client, _ = scripted(*[httpx.ReadError] * 5)
        with pytest.raises(UnreachableError):
            client.call("GET", "/")
    tries = [waits[number::4] for number in range(4)]
    for number, of_try in enumerate(tries, 1):
        assert max(of_try) <= 0.2 * 2**number and max(of_try) > 1.5 * min(of_try)
    assert sum(tries[3]) > 2 * sum(tries[0])


# ── against the application ──────────────────────────────────────────────────


def test_answers_that_are_lost_leave_one_valuation(own_app: Flask) -> None:
    client = client_of(own_app, losses=3)
    made = client.value(IT, include=["sentences"], date=date(2026, 1, 2), currency="EUR", levels=[0.8])
    assert made["currency"] == "EUR" and made["sentences"] and len(made["intervals"]) == 1
    with parts(own_app).engine.connect() as connection:
        assert connection.execute(select(func.count()).select_from(VALUATIONS)).scalar() == 1
    again = client.call("GET", f"/v1/valuations/{made['id']}").json()
    assert again == made
    assert client.intervals(IT, date="2026-01-02", currency="EUR")["value"] == made["value"]
    assert client.attributions(IT, date="2026-01-02", currency="EUR")["reference"] == made["reference"]


def test_a_problem_says_all_that_is_wrong(own_app: Flask) -> None:
    with pytest.raises(ProblemError) as raised:
        client_of(own_app).value({**IT, "model": "Dahl"}, currency="XXX")
    error = raised.value
    assert (error.status, error.kind) == (422, "fields") and error.request_id
    faults = {fault["pointer"]: fault for fault in error.faults}
    assert set(faults) == {"#/instrument/model", "#/currency"}
    assert faults["#/instrument/model"]["suggestions"][0] == "Dal"
    assert "model: is not in the catalogue; did you mean Dal?" in str(error)
    with pytest.raises(ProblemError, match="not valid") as refused:
        Client("http://values.test", "bm_0_x", transport=Lossy(own_app)).intervals(IT)
    assert refused.value.status == 401


def test_an_error_that_is_no_problem_document_is_one_all_the_same() -> None:
    for body in (b"<html>", b"[1]", b""):
        client, _ = scripted(httpx.Response(404, content=body))
        with pytest.raises(ProblemError, match="HTTP 404") as raised:
            client.call("GET", "/nothing")
        assert (raised.value.kind, raised.value.faults) == ("", [])


def test_pages_are_followed_to_the_last(own_app: Flask) -> None:
    client = client_of(own_app, "evidence")
    for number in range(5):
        client.call("POST", "/v1/evidence", body={**SALE, "id": f"S{number}", "instrument": IT})
    found = list(client.pages("/v1/evidence", limit=2, kind="sale"))
    ids = [[one["id"] for one in page["evidence"]] for page in found]
    assert ids == [["S0", "S1"], ["S2", "S3"], ["S4"]]


def test_a_page_elsewhere_gets_no_key() -> None:
    link = {"Link": '<http://values.example/v1/evidence?cursor=1>; rel="next"'}
    client, asked = scripted(httpx.Response(200, json={}, headers=link), httpx.Response(200, json={}))
    with pytest.raises(ClientError, match=r"values\.example"):
        list(client.pages("/v1/evidence"))
    assert len(asked) == 1


# ── one file ─────────────────────────────────────────────────────────────────


def test_it_is_one_file_that_needs_httpx_alone(tmp_path: Path) -> None:
    copy = tmp_path / "values_client.py"
    copy.write_text(Path(client_module.__file__).read_text())
    code = (
        "import httpx, sys; before = set(sys.modules); import values_client\n"
        "new = {name.split('.')[0] for name in set(sys.modules) - before} - set(sys.stdlib_module_names)\n"
        "print(sorted(new))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (done.stdout.strip(), done.stderr) == ("['values_client']", "")
