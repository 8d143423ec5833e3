"""Flask's own hooks work as Flask's documents say: on a blueprint, beside those of the service."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from unittest.mock import Mock

import pytest
from asking import Caller, assert_problem
from flask import Blueprint, Flask, Response, abort, g, request

from service.app import AFTER, BEFORE

ROOT = Path(__file__).parents[2]


@pytest.fixture
def greeted(own_app: Flask) -> list[str]:
    """The steps of a blueprint's hooks and view, in the order in which they ran."""
    found: list[str] = []
    greeting = Blueprint("greeting", __name__, url_prefix="/v1/greeting")

    @greeting.before_request
    def check_name() -> None:
        found.append("before")
        if request.args.get("name") == "nobody":
            abort(404)
        g.name = request.args.get("name")

    @greeting.after_request
    def add_header(response: Response) -> Response:
        found.append("after")
        response.headers["X-Greeted"] = g.get("name", "none")
        return response

    @greeting.teardown_request
    def end(error: BaseException | None) -> None:
        found.append("teardown")

    @greeting.get("")
    def greet() -> str:
        found.append("view")
        assert g.caller is None  # the service asked who calls before the blueprint's own hook
        return "good day"

    own_app.register_blueprint(greeting)
    return found


def test_the_hooks_of_a_blueprint_run_around_its_view(own_app: Flask, greeted: list[str]) -> None:
    found = Caller(own_app, None).get("/v1/greeting?name=Ida")
    assert (found.status_code, found.text, found.headers["X-Greeted"]) == (200, "good day", "Ida")
    assert greeted == ["before", "view", "after", "teardown"]
    assert found.headers["ETag"] and found.headers["X-Request-ID"]


def test_a_hook_that_refuses_keeps_the_view_from_running(own_app: Flask, greeted: list[str]) -> None:
    found = Caller(own_app, None).get("/v1/greeting?name=nobody")
    assert_problem(found, 404, "path")
    assert greeted == ["before", "after", "teardown"]


def test_hooks_that_an_extension_adds_to_the_application_run(own_app: Flask) -> None:
    own_app.before_request(lambda: Response("shut", 503) if request.path == "/shut" else None)
    own_app.after_request(lambda response: response.headers.add("X-Seen", "yes") or response)
    found = Caller(own_app, None).get("/shut")
    assert (found.status_code, found.text, found.headers["X-Seen"]) == (503, "shut", "yes")


def test_the_hooks_of_the_service_run_in_the_order_in_which_they_stand(own_app: Flask) -> None:
    assert own_app.before_request_funcs[None][: len(BEFORE)] == list(BEFORE)
    assert own_app.after_request_funcs[None][::-1][-len(AFTER) :] == list(AFTER)


def test_an_error_in_a_hook_after_a_view_is_logged_without_its_text(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    @own_app.after_request
    def fail(response: Response) -> Response:
        if response.status_code == 200:
            raise ZeroDivisionError("serial 4711 of the owner")
        return response

    log = Mock()
    monkeypatch.setattr("service.server.logs._log", log)
    assert_problem(Caller(own_app, None).get("/healthz"), 500, "unexpected")
    assert [call.kwargs["error"] for call in log.error.call_args_list] == ["ZeroDivisionError"]
    assert "4711" not in str(log.mock_calls)


@pytest.mark.parametrize("path", sorted((ROOT / "service").rglob("*.py")), ids=lambda path: path.stem)
def test_a_module_leans_on_no_inside_of_a_framework(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    inside = r"preprocess_request|process_response|ensure_sync|_get_current_object|_apidoc|\._deserialize\("
    assert re.findall(inside, text) == []
    assert [
        inner.lineno
        for function in ast.walk(ast.parse(text))
        if isinstance(function, ast.FunctionDef)
        for decorator in function.decorator_list
        if ast.unparse(decorator).startswith("blp.")
        for inner in ast.walk(function)
        if isinstance(inner, ast.Import | ast.ImportFrom)
    ] == []
