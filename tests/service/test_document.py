"""The OpenAPI document leaves nothing unsaid: enough to make a client from, and to know what it means."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

import pytest
from asking import Caller

from service.problems import all_kinds

Place = tuple[str, ...]


@pytest.fixture(scope="module")
def document(caller: Caller) -> dict[str, Any]:
    found: dict[str, Any] = caller.get("/openapi.json").json
    return found


def walked(node: Any, place: Place = ()) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Every object of the document with its place, but what is inside of examples."""
    if isinstance(node, dict):
        yield place, node
        for name, inner in node.items():
            if name not in ("example", "examples"):
                yield from walked(inner, (*place, name))
    elif isinstance(node, list):
        for number, inner in enumerate(node):
            yield from walked(inner, (*place, str(number)))


# Whatever stands under these names must say what it is.
DESCRIBED = ("properties", "parameters", "responses", "headers", "schemas", "securitySchemes", "tags")


def undescribed(document: dict[str, Any]) -> list[str]:
    """Places of what should say what it is and does not. A reference alone is described where it leads."""
    return [
        "/".join(place)
        for place, node in walked(document)
        if ((place[-2:-1] and place[-2] in DESCRIBED) or place[-1:] == ("requestBody",))
        and not str(node.get("description", "")).strip()
        and ("$ref" not in node or place[-2] == "properties")
    ]


def test_every_member_parameter_header_body_and_answer_is_described(document: dict[str, Any]) -> None:
    assert undescribed(document) == []


@pytest.mark.parametrize(
    "place",
    [
        ("components", "schemas", "Ask"),
        ("components", "schemas", "Ask", "properties", "levels"),
        ("components", "schemas", "Instrument", "properties", "condition"),
        ("components", "responses", "NOT_FOUND"),
        ("components", "responses", "TOO_MANY_REQUESTS", "headers", "Retry-After"),
        ("paths", "/v1/valuations", "post", "requestBody"),
        ("paths", "/v1/valuations", "post", "parameters", "0"),
        ("paths", "/v1/valuations", "post", "responses", "201"),
        ("paths", "/v1/valuations/{valuation_id}", "parameters", "0"),
    ],
)
def test_what_is_not_described_is_seen(document: dict[str, Any], place: Place) -> None:
    changed: Any = copy.deepcopy(document)
    node = changed
    for name in place:
        node = node[int(name) if isinstance(node, list) else name]
    del node["description"]
    assert undescribed(changed) == ["/".join(place)]


def test_every_reference_leads_somewhere(document: dict[str, Any]) -> None:
    for _, node in walked(document):
        if "$ref" in node:
            found: Any = document
            for name in node["$ref"].removeprefix("#/").split("/"):
                found = found[name]


def answers(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if method != "parameters":
                for status, answer in operation["responses"].items():
                    yield f"{method} {path}", status, answer


def test_every_error_is_a_problem_with_its_kinds(document: dict[str, Any]) -> None:
    kinds = {str(kind.status): kind for kind in all_kinds()}
    for operation, status, answer in answers(document):
        if status < "400":
            continue
        known = document["components"]["responses"]
        said = known[answer["$ref"].rpartition("/")[2]] if "$ref" in answer else answer
        (form,) = said["content"]
        assert form in ("application/problem+json", "application/json"), operation
        assert "X-Request-ID" in said["headers"]
        if form == "application/problem+json":
            assert said["content"][form]["schema"] == {"$ref": "#/components/schemas/Problem"}
            assert kinds[status].title in said["description"]


def test_a_wait_a_challenge_and_a_limit_are_told_in_headers(document: dict[str, Any]) -> None:
    headers = {name: set(said["headers"]) for name, said in document["components"]["responses"].items()}
    for name in ("CONFLICT", "TOO_MANY_REQUESTS", "SERVICE_UNAVAILABLE"):
        assert "Retry-After" in headers[name]
    assert "WWW-Authenticate" in headers["UNAUTHORIZED"] & headers["FORBIDDEN"]
    paged = document["paths"]["/v1/evidence"]["get"]["responses"]["200"]["headers"]
    made = document["paths"]["/v1/valuations"]["post"]["responses"]["201"]["headers"]
    assert "Link" in paged and {"Location", "RateLimit", "X-Request-ID"} <= set(made)
    names = {one["name"] for one in document["paths"]["/v1/valuations"]["post"]["parameters"]}
    assert "Idempotency-Key" in names


def test_every_answer_carries_an_id_of_its_request(caller: Caller, document: dict[str, Any]) -> None:
    assert all(
        "X-Request-ID" in answer["headers"] for _, status, answer in answers(document) if status < "300"
    )
    assert caller.get("/v1/vocabulary").headers["X-Request-ID"]
