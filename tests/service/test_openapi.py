"""The OpenAPI document is valid, says everything that the service does, and every answer is as it says."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from apps import caller_of
from asking import Caller
from described import schema_of, undescribed, validator
from flask import Flask
from openapi_spec_validator import validate
from operations_asked import ASKED, KEPT, MODEL_OF, RECORD, REPORT, prepared, record

from service.keys.kinds import SCOPES


@pytest.fixture(scope="module")
def document(shared_app: Flask) -> dict[str, Any]:
    found: dict[str, Any] = shared_app.test_client().get("/openapi.json").json
    return found


def test_it_is_valid_openapi_3_1(document: dict[str, Any]) -> None:
    assert document["openapi"] == "3.1.0"
    validate(document)


def test_it_has_every_route_of_the_service(document: dict[str, Any], shared_app: Flask) -> None:
    rules = {re.sub(r"<\w+:(\w+)>", r"{\1}", rule.rule) for rule in shared_app.url_map.iter_rules()}
    others = ("/docs", "/openapi.json", "/desk", "/form", "/follow", "/verify")
    assert set(document["paths"]) == {rule for rule in rules if not rule.startswith(others)}
    elsewhere = {f"{MODEL_OF}/rollback"}  # needs a store of its own: test_models_http.py
    assert {path for _, path, _, _ in ASKED} | elsewhere == set(document["paths"])


def operations(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for path, item in document["paths"].items():
        for method in ("get", "post", "put", "patch", "delete"):
            if method in item:
                yield path, item[method]


def test_every_operation_is_described_and_lists_its_problems(document: dict[str, Any]) -> None:
    names = [operation["operationId"] for _, operation in operations(document)]
    assert len(set(names)) == len(names)
    for path, operation in operations(document):
        assert operation["summary"] and operation["tags"]
        keyed = path not in ("/healthz", "/readyz", f"{REPORT}/verification")
        scopes = operation.get("x-scopes", [])
        assert ("security" in operation) is bool(scopes) is keyed and set(scopes) <= set(SCOPES)
        wanted = {"500", *(("401", "403", "406", "429", "503") if keyed else ())}
        wanted |= {"400", "413", "415", "422"} if "requestBody" in operation else set()
        assert wanted <= set(operation["responses"]), path


def test_every_member_of_every_schema_is_described(document: dict[str, Any]) -> None:
    missing = [
        f"{name}.{member}"
        for name, schema in document["components"]["schemas"].items()
        for member, part in schema["properties"].items()
        if not part.get("description")
    ]
    assert not missing


@pytest.mark.parametrize(("method", "path", "asked", "body"), ASKED)
def test_every_answer_is_as_it_is_described(
    shared_app: Flask, document: dict[str, Any], method: str, path: str, asked: str, body: Any
) -> None:
    caller = caller_of(shared_app, *SCOPES)
    asked = prepared(shared_app, caller, method, path, asked)
    if path == f"{KEPT}/outcome/evidence":
        body = {"evidence": record(caller)}
    form, text = body if isinstance(body, tuple) else ("application/json", body)
    found = caller.ask(method, asked, text, **{"Content-Type": form})
    assert found.status_code < 300, found.text
    described = document["paths"][path][method]["responses"][str(found.status_code)]
    assert found.get_data() and not found.close()  # type: ignore[func-returns-value]
    content = described["content"][found.mimetype]
    assert isinstance(body, tuple) or len(described["content"]) == 1
    for header in described.get("headers", {}):
        assert header in found.headers
    if found.mimetype != "application/json":
        return
    schema = content["schema"]
    validator(document, schema).validate(found.json)
    assert list(undescribed(found.json, schema, document)) == []


def test_the_headers_that_a_request_for_an_appraisal_is_read_by_are_described(
    document: dict[str, Any],
) -> None:
    named = {one["name"] for one in document["paths"]["/v1/requests"]["post"]["parameters"]}
    assert {"Accept-Language", "Idempotency-Key", "Proof-Of-Work"} <= named


def test_the_check_for_undescribed_members_sees_one(document: dict[str, Any]) -> None:
    schema = {"$ref": "#/components/schemas/Ready"}
    body = {"status": "ready", "checks": {"model": {"ok": True, "more": 1}}}
    assert list(undescribed(body, schema, document)) == [".checks.model.more"]


def test_problems_are_as_they_are_described(caller: Caller, document: dict[str, Any]) -> None:
    problem = schema_of(document, "Problem")
    for found in (
        caller.post("/v1/valuations", {"instrument": {}}),
        caller.get("/v1/valuations/x"),
        caller.get("/x"),
    ):
        problem.validate(found.json)
        assert list(undescribed(found.json, {"$ref": "#/components/schemas/Problem"}, document)) == []


def test_the_example_of_a_body_is_answered(own_app: Flask) -> None:
    caller = caller_of(own_app, *SCOPES)
    document = caller.get("/openapi.json").json
    for method, path in (
        *(("post", f"/v1/{noun}") for noun in ("valuations", "intervals", "attributions", "evidence")),
        ("put", RECORD),
    ):
        content = document["paths"][path][method]["requestBody"]["content"]["application/json"]
        validator(document, content["schema"]).validate(content["example"])
        asked = path.replace("{evidence_id}", record(caller) if "{" in path else "")
        assert caller.ask(method, asked, content["example"]).status_code in (200, 201)


@pytest.mark.parametrize("form", ["text/csv", "application/x-ndjson"])
def test_the_example_of_a_file_is_taken_whole(own_app: Flask, form: str) -> None:
    caller = caller_of(own_app, "evidence")
    contents = caller.get("/openapi.json").json["paths"]["/v1/evidence"]["post"]["requestBody"]["content"]
    found = caller.post("/v1/evidence", contents[form]["example"], **{"Content-Type": form})
    assert (found.json["accepted"], found.json["rows"], found.json["ignored_columns"]) == (1, 1, [])


def test_the_largest_number_of_a_cursor_is_taken(shared_app: Flask, document: dict[str, Any]) -> None:
    caller, largest = caller_of(shared_app, *SCOPES), f"after-{'9' * 18}"
    found = []
    for path in [path for method, path, _, _ in ASKED if method == "get"]:
        parameters = document["paths"][path]["get"].get("parameters", ())
        if any(
            one["name"] == "cursor" and one["schema"]["pattern"].startswith("^after-(\\d")
            for one in parameters
        ):
            answer = caller.get(prepared(shared_app, caller, "get", path, f"{path}?cursor={largest}"))
            found.append((path, answer.status_code))
    assert len(found) > 6 and {status for _, status in found} == {200}, found
