"""Every error of every route is a problem: what HTTP refuses, what fails inside, what is not there."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest
from apps import NewDatabase, caller_of, make_app, parts, paths
from asking import DAL, Caller, assert_problem
from flask import Flask
from sqlalchemy import text

from service.http.responses import NDJSON
from service.problems import all_kinds


def test_no_route_takes_another_method(caller: Caller) -> None:
    for path, method in paths(caller.app):
        patched = (f"/v1/requests/req_{'0' * 26}", "/v1/webhooks/<string:webhook_id>")
        other = "PUT" if path in patched else "PATCH"
        found = caller.client.open(path, method=other, headers=caller.headers())
        assert_problem(found, 405, "method")
        assert method in found.headers["Allow"]


def test_head_and_options_are_answered(caller: Caller) -> None:
    for path, method in paths(caller.app):
        found = caller.client.options(path, headers=caller.headers())
        assert found.status_code == 200 and method in found.headers["Allow"]
    head = caller.client.head("/healthz")
    assert (head.status_code, head.data) == (200, b"")


@pytest.mark.parametrize(
    "path", ["/", "/v1", "/v1/", "/v2/valuations", "/v1/valuations/", "/v1//valuations", "/é"]
)
def test_a_path_that_is_not_there(caller: Caller, path: str) -> None:
    assert_problem(caller.get(path), 404, "path")


def test_an_unexpected_failure_tells_nothing_of_itself(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> None:
        raise ZeroDivisionError("serial 4711 of the owner")

    log = Mock()
    monkeypatch.setattr("service.server.logs._log", log)
    monkeypatch.setattr("service.server.logs.Requests.lines", log.lines)
    monkeypatch.setattr("service.api.values.services.value", fail)
    monkeypatch.setattr("service.api.values.services.ranged", fail)
    caller = caller_of(own_app)
    for path in ("/v1/valuations", "/v1/intervals", "/v1/attributions"):
        found = caller.post(path, DAL)
        body = assert_problem(found, 500, "unexpected")
        assert "4711" not in found.text and "ZeroDivisionError" not in found.text
    failed = log.error.call_args.kwargs
    assert (failed["error"], failed["request_id"]) == ("ZeroDivisionError", body["request_id"])
    assert any("test_problem_seam.py" in place for place in failed["at"])
    assert "4711" not in str(log.mock_calls)


def test_a_caller_that_accepts_no_json(caller: Caller) -> None:
    for accept in ("text/html", "application/xml, text/*;q=0.5", "application/json;q=0"):
        assert_problem(caller.post("/v1/intervals", DAL, Accept=accept), 406, "accept")
    for accept in ("*/*", "application/*", "text/html, application/json;q=0.1", ""):
        assert caller.post("/v1/intervals", DAL, Accept=accept).status_code == 200


def test_a_store_without_a_model(tmp_path: Path, new_database: NewDatabase) -> None:
    app = make_app(tmp_path / "nothing", new_database("sqlite"))
    caller = caller_of(app, "valuations", "evidence", "metrics", "inventory")
    needs_none = (
        "/catalogue/draft",
        "/requests/",
        "/reports/",
        "/specialist",
        "/valuations/",
        "/keys",
        "/price-models",
        "/evidence/",
        "/evidence.csv",
        "/items",
        "/revaluations",
        "/offer-terms",
        "/webhooks",
        "/portfolios",
        "/audit",
        "/requests",
        "/e-mails",
    )
    for path, method in paths(app):
        listed = (path, method) == ("/v1/evidence", "GET")
        if path.startswith("/v1") and not listed and not any(part in path for part in needs_none):
            body: Any = {"data": "", "content_type": NDJSON} if path == "/v1/stocklists" else {"json": DAL}
            found = caller.client.open(path, method=method, headers=caller.headers(), **body)
            assert_problem(found, 503, "no-model")
    assert caller.get("/v1/evidence").json == {"evidence": []}
    body = assert_problem(caller.get("/readyz"), 503, "not-ready")
    assert body["checks"]["model"]["ok"] is False and body["checks"]["database"]["ok"] is True
    assert str(tmp_path) not in json.dumps(body)
    assert caller.get("/healthz").status_code == 200
    assert caller.get("/openapi.json").status_code == 200 and caller.get("/docs").status_code == 200


def test_a_database_that_was_not_migrated(own_app: Flask) -> None:
    caller = caller_of(own_app, "metrics")
    with parts(own_app).engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'older'"))
    body = assert_problem(caller.get("/readyz"), 503, "not-ready")
    assert body["checks"]["database"]["revision"] == "older"
    assert "bookmatch migrate" in body["checks"]["database"]["problem"]


def test_a_database_that_is_gone(
    store: Path, new_database: NewDatabase, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = new_database("sqlite")
    app = make_app(store, address)
    caller = caller_of(app, "valuations", "metrics")
    assert caller.value({}).status_code == 201
    began = time.monotonic()
    parts(app).engine.dispose()
    Path(address.removeprefix("sqlite:///")).rename(store / "elsewhere")
    Path(address.removeprefix("sqlite:///")).mkdir()
    said = assert_problem(caller.value({}), 503, "no-database")
    assert said["detail"] == "Try again after Retry-After."  # and nothing of what the driver said
    body = assert_problem(caller.get("/readyz"), 503, "not-ready")
    assert body["checks"]["database"] == {"ok": False, "revision": None, "problem": "it does not answer"}
    # What keeps no record is answered, for a key that was known a while ago; not for ever.
    for seconds, status in ((6, 200), (595, 200), (601, 503)):
        monkeypatch.setattr("service.keys.callers.time.monotonic", lambda s=seconds: began + s)
        assert caller.post("/v1/intervals", DAL).status_code == status
    assert_problem(Caller(app, "bmk_000000000000_x").post("/v1/intervals", DAL), 503, "no-database")
    assert "checks" not in assert_problem(caller.get("/readyz"), 503, "not-ready")  # nobody knows who asks


def test_every_kind_of_problem_is_explained_where_its_type_points(caller: Caller) -> None:
    page = caller.get("/docs").text
    names = [kind.name for kind in all_kinds()]
    assert len(set(names)) == len(names)
    for name in names:
        assert f'id="problem-{name}"' in page


def test_a_request_keeps_the_id_it_came_with_if_it_is_one(caller: Caller) -> None:
    assert caller.get("/healthz", **{"X-Request-ID": "abc-1.2_Z"}).headers["X-Request-ID"] == "abc-1.2_Z"
    for odd in ("", "a b", "x" * 65, "é", "<script>"):
        made = caller.get("/healthz", **{"X-Request-ID": odd}).headers["X-Request-ID"]
        assert made != odd and len(made) == 16
