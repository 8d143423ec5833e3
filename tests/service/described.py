"""Validators of what the OpenAPI document describes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from jsonschema import Draft202012Validator


def validator(document: dict[str, Any], schema: dict[str, Any]) -> Draft202012Validator:
    return Draft202012Validator({**schema, "components": document["components"]})


def schema_of(document: dict[str, Any], name: str) -> Draft202012Validator:
    return validator(document, {"$ref": f"#/components/schemas/{name}"})


def operations(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Every operation of the document: its path, its method and itself."""
    for path, item in document["paths"].items():
        for method in ("get", "post", "put", "patch", "delete"):
            if method in item:
                yield path, method, item[method]


def undescribed(value: Any, schema: dict[str, Any], document: dict[str, Any], at: str = "") -> Iterator[str]:
    """Members of an answer that its schema does not have: a validator lets those pass."""
    if "$ref" in schema:
        schema = document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[-1]]
    for part in schema.get("anyOf", ()):
        if value is not None and "$ref" in part:
            schema = document["components"]["schemas"][part["$ref"].rsplit("/", 1)[-1]]
    if isinstance(value, list):
        for item in value:
            yield from undescribed(item, schema["items"], document, at)
    elif isinstance(value, dict):
        for name, inner in value.items():
            if name not in schema.get("properties", {}) and not schema.get("additionalProperties"):
                yield f"{at}.{name}"
            elif name in schema.get("properties", {}):
                yield from undescribed(inner, schema["properties"][name], document, f"{at}.{name}")
