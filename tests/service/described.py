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
