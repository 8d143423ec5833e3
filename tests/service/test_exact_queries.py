"""No address passes over a member of the query that it does not know."""

from __future__ import annotations

import re
from typing import Any

import pytest
from apps import caller_of
from asking import DAL, Caller, assert_problem, faults_of
from described import operations
from flask import Flask

from service.keys.kinds import SCOPES


def body_of(operation: dict[str, Any]) -> tuple[str | None, Any]:
    """The form and the example of the first body that the operation takes."""
    for form, content in operation.get("requestBody", {}).get("content", {}).items():
        return form, content["example"]
    return None, None


def test_every_operation_refuses_a_member_that_it_does_not_have_and_describes_those_it_has(
    own_app: Flask,
) -> None:
    caller = caller_of(own_app, *SCOPES)
    document = caller.get("/openapi.json").json
    found = list(operations(document))
    assert len(found) > 40
    for path, method, operation in found:
        form, body = body_of(operation)
        headers = {"Content-Type": form} if form else {}
        asked = re.sub(r"{\w+}", "none", path) + "?no_such_member=EUR"
        refused = caller.ask(method, asked, body, **headers)
        error = assert_problem(refused, 422, "fields")["errors"][0]  # a member that is required can follow
        assert (error["field"], error["value"]) == ("no_such_member", "EUR"), f"{method} {path}"
        assert error["pointer"] is None, "it is outside of the body"
        assert "422" in operation["responses"], f"{method} {path}"
        # The fault lists the members that are read; the document has these, and no others.
        described = [one["name"] for one in operation.get("parameters", ()) if one["in"] == "query"]
        assert error["allowed"] == ", ".join(described), f"{method} {path}"


@pytest.mark.parametrize("path", ["/docs", "/openapi.json"])
def test_the_documentation_refuses_one_too(caller: Caller, path: str) -> None:
    assert caller.get(path).status_code == 200
    assert_problem(caller.get(f"{path}?x=1"), 422, "fields")


@pytest.mark.parametrize("noun", ["intervals", "attributions", "valuations"])
def test_the_currency_of_a_value_is_asked_for_in_the_body(caller: Caller, noun: str) -> None:
    error = faults_of(caller.post(f"/v1/{noun}?currency=EUR", DAL))[None]  # type: ignore[index]
    assert error["next_step"] == "leave it out, or send it in the body if it is a member of that"


def test_a_caller_without_a_key_hears_of_the_key_first(shared_app: Flask) -> None:
    assert_problem(Caller(shared_app, None).get("/v1/vocabulary?x=1"), 401, "key-missing")
