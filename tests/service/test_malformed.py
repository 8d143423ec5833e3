"""Malformed or oversized HTTP is answered by a problem document and leaves a line in the log."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from email.parser import BytesParser
from pathlib import Path
from typing import Any

import pytest
from running import Running


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, fake_store: Path) -> Iterator[Running]:
    with Running(tmp_path_factory.mktemp("malformed"), fake_store) as running:
        yield running


def sent(service: Running, data: bytes) -> tuple[int, Any, bytes]:
    """Send these bytes; give the status, headers and body of the answer."""
    with socket.create_connection(("127.0.0.1", service.port), timeout=10) as connection:
        connection.sendall(data)
        answer = b""
        while piece := connection.recv(65536):
            answer += piece
    head, _, body = answer.partition(b"\r\n\r\n")
    line, _, headers = head.partition(b"\r\n")
    return int(line.split()[1]), BytesParser().parsebytes(headers), body


GET = b"GET /healthz HTTP/1.1\r\nHost: x\r\n"
TOO_LONG = GET + b"X-More: " + b"x" * 9000 + b"\r\n\r\n"


@pytest.mark.parametrize(
    ("data", "status", "kind"),
    [
        (b"QX-ZYZY-88\r\n\r\n", 400, "request"),
        (b"GET /healthz HTTP/9.9\r\nHost: x\r\n\r\n", 400, "request"),
        (GET + b"no colon QX-ZYZY-88\r\n\r\n", 400, "request"),
        (GET + b"Content-Length: QX-ZYZY-88\r\n\r\n", 400, "request"),
        (GET + b"Content-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\n", 400, "request"),
        (b"GET /" + b"x" * 8000 + b" HTTP/1.1\r\nHost: x\r\n\r\n", 414, "address"),
        (TOO_LONG, 431, "headers"),
        (GET + b"Transfer-Encoding: knitting\r\n\r\n", 501, "transfer-coding"),
        (GET + b"Expect: a-miracle\r\n\r\n", 417, "expectation"),
    ],
)
def test_what_is_no_http_is_a_problem(served: Running, data: bytes, status: int, kind: str) -> None:
    found, headers, body = sent(served, data)
    problem = json.loads(body)
    assert (found, problem["status"]) == (status, status)
    assert problem["type"] == f"/docs#problem-{kind}" and problem["title"] and problem["detail"]
    assert headers["Content-Type"] == "application/problem+json" and headers["Connection"] == "close"
    assert int(headers["Content-Length"]) == len(body)
    assert (headers["X-Content-Type-Options"], headers["Cache-Control"]) == ("nosniff", "no-store")
    assert headers["Content-Security-Policy"].startswith("default-src 'none'")
    line = next(line for line in logged(served) if line.get("request_id") == problem["request_id"])
    assert headers["X-Request-ID"] == problem["request_id"]
    assert (line["event"], line["status"], line["level"]) == ("request refused", status, "warning")


def test_the_service_goes_on_and_its_whole_log_is_json_without_what_was_sent(served: Running) -> None:
    # Sent anew, since the tests above may have run in another process, with a service of its own.
    assert [sent(served, b"QX-ZYZY-88\r\n\r\n")[0], sent(served, TOO_LONG)[0]] == [400, 431]
    assert sent(served, GET + b"Connection: close\r\n\r\n")[0] == 200
    lines = logged(served)
    assert f"Workers listen at: 127.0.0.1:{served.port}" in [line["event"] for line in lines]
    assert "ZYZY" not in served.log
    key = served.new_key("metrics").encode()
    scrape = (
        GET.replace(b"healthz", b"metrics")
        + b"Authorization: Bearer "
        + key
        + b"\r\nConnection: close\r\n\r\n"
    )
    refused = 'bookmatch_requests_total{method="other",route="none",status="431"} '
    (count,) = [line for line in sent(served, scrape)[2].decode().splitlines() if line.startswith(refused)]
    assert float(count.removeprefix(refused)) in (1, 2)
    assert not [line for line in lines if "127.0.0.1" in str(line) and "listen at" not in line["event"]]


def logged(service: Running) -> list[dict[str, Any]]:
    """Read the service's log, every line of which must be JSON."""
    return [json.loads(line) for line in service.log.splitlines()]


def test_no_header_says_which_path_is_asked_for(served: Running) -> None:
    # A proxy that guards paths hands headers on, and asks from an address of this machine.
    asked = b"GET /v1/healthz HTTP/1.1\r\nHost: x\r\nConnection: close\r\nSCRIPT_NAME: /v1\r\n\r\n"
    status, _, body = sent(served, asked)
    assert status == 404 and json.loads(body)["instance"] == "/v1/healthz"
