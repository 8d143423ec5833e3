"""A caller of the service for its tests, and the one check of the form of a problem."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any

from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

SECRET = "a secret of the tests, long enough to be taken"
DAL = {"instrument": {"maker": "Ostvik", "model": "Dal"}, "date": "2026-01-02"}
# The parts of a kept valuation that have a path of their own to read.
SHOWN_PARTS = (
    "comparables",
    "questions",
    "earlier-records",
    "sentences",
    "waterfall.svg",
    "intervals.svg",
    "price-index.svg",
)
# What a header `Authorization` may hold that is no valid key; None: no such header.
AUTHORIZATIONS = (
    None,
    "",
    " ",
    "Bearer",
    "Bearer ",
    "Basic eDp5",
    "bmk_000000000000_x",
    "Bearer wrong",
    "Bearer bmk_000000000000_" + "a" * 43,
    "Bearer " + "x" * 300,
)
PROBLEM_MEMBERS = {"type", "title", "status", "detail", "instance", "request_id"}
FAULT_MEMBERS = {"pointer", "field", "value", "problem", "allowed", "next_step", "suggestions"}


@dataclass
class Caller:
    """Asks one application, with a key if it has one."""

    app: Flask
    key: str | None

    @property
    def client(self) -> FlaskClient:
        return self.app.test_client()

    def headers(self, more: dict[str, str] | None = None) -> dict[str, str]:
        return {**({"Authorization": f"Bearer {self.key}"} if self.key else {}), **(more or {})}

    def get(self, path: str, **headers: str) -> TestResponse:
        return self.client.get(path, headers=self.headers(headers))

    def post(self, path: str, body: Any, **headers: str) -> TestResponse:
        """Post a body: text or bytes as they are, anything else as JSON."""
        data = body if isinstance(body, str | bytes) else json.dumps(body)
        kind = {"Content-Type": "application/json"}
        return self.client.post(path, data=data, headers=self.headers({**kind, **headers}))

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> TestResponse:
        """Any method; a body, if there is one: text or bytes as they are, anything else as JSON."""
        kind = {} if body is None else {"Content-Type": "application/json"}
        data = body if isinstance(body, str | bytes | None) else json.dumps(body)
        return self.client.open(
            path, method=method.upper(), data=data, headers=self.headers({**kind, **headers})
        )

    def value(self, instrument: dict[str, Any], **more: Any) -> TestResponse:
        """POST /v1/valuations of an instrument on the day of the fake's last evidence."""
        body = {"instrument": {"maker": "Ostvik", "model": "Dal", **instrument}, "date": "2026-01-02", **more}
        return self.post("/v1/valuations", body)


def assert_problem(found: Any, status: int, kind: str) -> dict[str, Any]:
    """The answer is a whole problem document (RFC 9457) of this status and kind; returned for more checks.

    `found`: an answer of Flask's client or of httpx.
    """
    body: dict[str, Any] = json.loads(found.data if isinstance(found, TestResponse) else found.content)
    assert found.status_code == status, body
    assert found.headers["Content-Type"] == "application/problem+json"
    assert set(body) >= PROBLEM_MEMBERS
    assert body["status"] == status
    assert body["type"] == f"/docs#problem-{kind}"
    assert body["title"] and body["detail"] and body["request_id"] == found.headers["X-Request-ID"]
    assert "Traceback" not in json.dumps(body) and not re.search(r"(?<!\w)/work", json.dumps(body))
    for fault in body.get("errors", []):
        assert set(fault) == FAULT_MEMBERS
        assert fault["pointer"] is None or fault["pointer"].startswith("#/")
        assert isinstance(fault["field"], str) and fault["problem"]
    if status in (401, 403):
        error = {"key-missing": "", "key-invalid": ', error="invalid_token"'}
        wanted = error.get(kind, ', error="insufficient_scope"')
        assert found.headers["WWW-Authenticate"] == f'Bearer realm="bookmatch"{wanted}'
    if status == 503 or kind == "in-flight":
        assert int(found.headers["Retry-After"]) > 0
    return body


def faults_of(found: TestResponse, status: int = 422, kind: str = "fields") -> dict[str, dict[str, Any]]:
    """The faults of a problem by their pointer; each place is named once."""
    errors = assert_problem(found, status, kind)["errors"]
    by_pointer = {fault["pointer"]: fault for fault in errors}
    assert len(by_pointer) == len(errors)
    return by_pointer
