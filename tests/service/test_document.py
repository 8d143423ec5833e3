"""The OpenAPI document leaves nothing unsaid: enough to make a client from, and to know what it means."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from asking import Caller
from jsonschema import Draft202012Validator

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
        ("components", "schemas", "ValuationRequest"),
        ("components", "schemas", "ValuationRequest", "properties", "levels"),
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


def test_it_is_of_the_version_of_the_project(document: dict[str, Any]) -> None:
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]
    assert document["info"]["version"] == project["version"]


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


# ── examples ─────────────────────────────────────────────────────────────────

# Secrets are shown once; keys, models, readiness and figures are those of one installation. E-mails and
# revaluations change their state by themselves, and an item's history grows by them.
WITHOUT = {
    # Tests of webhooks would go to whoever has that name.
    "sendDeliveryAgain",
    "sendWebhookTest",
    "changeSpecialist",
    "createRevaluation",
    "listRevaluations",
    "showItemHistory",
    "showRevaluation",
    "issueReport",
    "listReports",
    "showReport",
    "showSpecialist",
    "verifyReport",
    "addPhotograph",
    "deletePhotograph",
    "listPhotographs",
    "showPhotograph",
    "createKey",
    "listAudit",
    "listEmails",
    "listKeys",
    "listPriceModelChanges",
    "listPriceModels",
    "promotePriceModel",
    "sendEmailAgain",
    "revokeKey",
    "rollBackPriceModel",
    "rotateKey",
    "showCard",
    "showKey",
    "showPriceModel",
    "showReadiness",
}


def shown(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any], Any]]:
    """Every answer in JSON that the document shows: whose it is, its schema and the answer."""
    for name, content in forms(document):
        for example in content.get("examples", {}).values():
            yield name, content["schema"], example["value"]


def forms(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for item in document["paths"].values():
        for operation in item.values():
            for status, answer in operation.get("responses", {}).items() if "responses" in operation else ():
                if status < "300" and "application/json" in answer.get("content", {}):
                    yield operation["operationId"], answer["content"]["application/json"]
    for name, answer in document["components"]["responses"].items():
        if "application/problem+json" in answer["content"]:
            yield name, answer["content"]["application/problem+json"]


def test_every_answer_that_is_shown_is_as_it_is_described(document: dict[str, Any]) -> None:
    found = list(shown(document))
    assert len(found) > 30
    for name, schema, value in found:
        validator = Draft202012Validator({**schema, "components": document["components"]})
        assert [error.message for error in validator.iter_errors(value)] == [], name


def test_every_operation_in_json_shows_an_answer(document: dict[str, Any]) -> None:
    with_one = {name for name, _, _ in shown(document)}
    operations = {name for name, _ in forms(document) if name[0].islower()}
    assert operations - with_one == WITHOUT
    bodies = [
        content
        for item in document["paths"].values()
        for operation in item.values()
        if "requestBody" in operation
        for content in operation["requestBody"]["content"].values()
    ]
    without = [content["schema"] for content in bodies if "example" not in content]
    assert len(bodies) > 9 and without == []
