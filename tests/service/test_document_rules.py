"""The OpenAPI document keeps the rules of a public linter, and each rule sees what breaks it."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from asking import Caller
from document_rules import RULES, broken

GONE = object()
HEALTH = ("paths", "/healthz", "get")
ALIVE = (*HEALTH, "responses", "200", "content", "application/json", "examples")
SCHEMAS = ("components", "schemas")
KIND = (*SCHEMAS, "KeyRequest", "properties", "kind", "enum")
LIMIT = {"name": "limit", "in": "query", "description": "how many", "schema": {"type": "integer"}}
# For each rule a change that breaks it: where, and what stands there then.
BREAKS: dict[str, tuple[tuple[str, ...], Any]] = {
    "array-items": ((*SCHEMAS, "Levels", "properties", "default", "items"), GONE),
    "duplicated-entry-in-enum": (KIND, ["system", "system"]),
    "info-contact": (("info", "contact"), GONE),
    "info-description": (("info", "description"), ""),
    "no-eval-in-markdown": (("info", "description"), "eval(1)"),
    "no-script-tags-in-markdown": (("info", "title"), "<script>"),
    "oas3-api-servers": (("servers",), []),
    "oas3-examples-value-or-externalValue": (ALIVE, {"demo": {"summary": "of nothing"}}),
    "oas3-operation-security-defined": ((*HEALTH, "security"), [{"system_key": ["admin"]}]),
    "oas3-server-not-example.com": (("servers",), [{"url": "https://example.com"}]),
    "oas3-server-trailing-slash": (("servers",), [{"url": "/v1/"}]),
    "oas3-unused-component": ((*SCHEMAS, "Lonely"), {"type": "object"}),
    "oas3-valid-media-example": (ALIVE, {"demo": {"value": {"status": 1}}}),
    "oas3-valid-schema-example": (
        (*SCHEMAS, "ValuationRequest", "properties", "currency", "example"),
        "euros",
    ),
    "openapi-tags-uniqueness": (("tags",), [{"name": "keys"}, {"name": "keys"}]),
    "operation-description": ((*HEALTH, "description"), GONE),
    "operation-operationId": ((*HEALTH, "operationId"), GONE),
    "operation-operationId-unique": ((*HEALTH, "operationId"), "showReadiness"),
    "operation-operationId-valid-in-url": ((*HEALTH, "operationId"), "show health"),
    "operation-parameters": ((*HEALTH, "parameters"), [LIMIT, LIMIT]),
    "operation-success-response": ((*HEALTH, "responses", "200"), GONE),
    "operation-tag-defined": ((*HEALTH, "tags"), ["nowhere"]),
    "operation-tags": ((*HEALTH, "tags"), []),
    "path-declarations-must-exist": (("paths", "/v1/{}"), {}),
    "path-keys-no-trailing-slash": (("paths", "/v1/"), {}),
    "path-not-include-query": (("paths", "/v1?all=true"), {}),
    "path-params": (("paths", "/v1/keys/{key_id}", "parameters"), []),
    "typed-enum": (KIND, [1]),
}


@pytest.fixture(scope="module")
def document(caller: Caller) -> dict[str, Any]:
    found: dict[str, Any] = caller.get("/openapi.json").json
    return found


def test_the_document_keeps_every_rule(document: dict[str, Any]) -> None:
    assert broken(document) == {}


def test_every_rule_is_tried() -> None:
    assert set(BREAKS) == set(RULES)


@pytest.mark.parametrize("rule", BREAKS)
def test_what_breaks_a_rule_is_seen(document: dict[str, Any], rule: str) -> None:
    changed = copy.deepcopy(document)
    (*place, name), value = BREAKS[rule]
    node: Any = changed
    for step in place:
        node = node[step]
    if value is GONE:
        del node[name]
    else:
        node[name] = value
    assert rule in broken(changed)
