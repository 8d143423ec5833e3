"""The rules of a public linter of OpenAPI documents, Spectral with its ruleset `oas`, for version 3.1.

Each has that ruleset's name for it. Left out are rules that the validator of the whole document holds too
(`test_openapi.py`) and rules about links, callbacks and webhooks, of which the document has none.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from described import validator

Document = dict[str, Any]
Node = dict[str, Any]
Rule = Callable[[Document], list[str]]  # the places where it is broken

METHODS = ("get", "put", "post", "delete", "options", "head", "patch", "trace")
_IN_URL = re.compile(r"[\w\-.~:/?#\[\]@!$&'()*+,;=]+", re.ASCII)
_TYPED = ("enum", "type", "format", "$ref", "properties", "items")
_UNNAMED = "securitySchemes"  # a requirement names them, not a reference


def walked(node: Any, place: str = "#") -> Iterator[tuple[str, Node]]:
    """Every object with its place, but what is inside of examples."""
    if isinstance(node, dict):
        yield place, node
        for name, inner in node.items():
            if name not in ("example", "examples"):
                yield from walked(inner, f"{place}/{name}")
    elif isinstance(node, list):
        for number, inner in enumerate(node):
            yield from walked(inner, f"{place}/{number}")


def operations(document: Document) -> Iterator[tuple[str, Node, Node]]:
    """Every operation: method and path, its path's item, and itself."""
    for path, item in document["paths"].items():
        for method in METHODS:
            if method in item:
                yield f"{method} {path}", item, item[method]


def _of_document(good: Callable[[Document], Any]) -> Rule:
    return lambda document: [] if good(document) else ["#"]


def _of_paths(good: Callable[[str], Any]) -> Rule:
    return lambda document: [path for path in document["paths"] if not good(path)]


def _of_operations(good: Callable[[Node, Document], Any]) -> Rule:
    return lambda document: [place for place, _, one in operations(document) if not good(one, document)]


def _of_nodes(concerned: Callable[[Node], Any], good: Callable[[Node], Any]) -> Rule:
    return lambda document: [place for place, node in walked(document) if concerned(node) and not good(node)]


def _of_texts(unwanted: str) -> Rule:
    return _of_nodes(
        lambda node: True,
        lambda node: unwanted not in f"{node.get('description', '')} {node.get('title', '')}",
    )


def _unique(found: Iterable[Any]) -> bool:
    return all(count == 1 for count in Counter(map(repr, found)).values())


def _types(node: Node) -> list[str]:
    kind = node.get("type", [])
    return [kind] if isinstance(kind, str) else list(kind) if isinstance(kind, list) else []


def _has_enum(node: Node) -> bool:
    return isinstance(node.get("enum"), list)


def _keeps_types(node: Node) -> bool:
    schema = validator({"components": {}}, {"type": node["type"]})
    return all(schema.is_valid(value) for value in node["enum"])


def _path_parameters(document: Document) -> list[str]:
    """Paths that are alike but for names, and operations whose path parameters are not those of the path."""
    shapes = Counter(re.sub(r"{\w+}", "{}", path) for path in document["paths"])
    wrong = [shape for shape, count in shapes.items() if count > 1]
    for place, item, operation in operations(document):
        stated = [*item.get("parameters", ()), *operation.get("parameters", ())]
        named = [one["name"] for one in stated if one["in"] == "path" and one.get("required") is True]
        if sorted(named) != sorted(re.findall(r"{(\w+)}", place)):
            wrong.append(place)
    return wrong


def _unused(document: Document) -> list[str]:
    used = {node["$ref"] for _, node in walked(document) if isinstance(node.get("$ref"), str)}
    named = {
        f"#/components/{kind}/{name}"
        for kind, entries in document["components"].items()
        if kind != _UNNAMED
        for name in entries
    }
    return sorted(named - used)


def _wrong_schema_examples(document: Document) -> list[str]:
    wrong = []
    for place, node in walked(document):
        if any(name in node for name in _TYPED) and not place.endswith("/properties"):
            schema = validator(document, node)
            values = [node[name] for name in ("example", "default") if name in node]
            wrong += [place for value in values if not schema.is_valid(value)]
    return wrong


def _wrong_media_examples(document: Document) -> list[str]:
    wrong = []
    for place, node in walked(document):
        if isinstance(node.get("schema"), dict):
            named = [one.get("value") for one in node.get("examples", {}).values() if "value" in one]
            values = [node["example"]] if "example" in node else named
            schema = validator(document, node["schema"])
            wrong += [place for value in values if not schema.is_valid(value)]
    return wrong


RULES: Mapping[str, Rule] = {
    "array-items": _of_nodes(lambda node: "array" in _types(node), lambda node: "items" in node),
    "duplicated-entry-in-enum": _of_nodes(_has_enum, lambda node: _unique(node["enum"])),
    "info-contact": _of_document(lambda document: document["info"].get("contact")),
    "info-description": _of_document(lambda document: document["info"].get("description")),
    "no-eval-in-markdown": _of_texts("eval("),
    "no-script-tags-in-markdown": _of_texts("<script"),
    "oas3-api-servers": _of_document(lambda document: document.get("servers")),
    "oas3-examples-value-or-externalValue": _of_nodes(
        lambda node: "schema" in node and "examples" in node,
        lambda node: all(("value" in one) != ("externalValue" in one) for one in node["examples"].values()),
    ),
    "oas3-operation-security-defined": _of_operations(
        lambda one, document: all(
            name in document["components"][_UNNAMED] and scopes == []
            for needed in one.get("security", ())
            for name, scopes in needed.items()
        )
    ),
    "oas3-server-not-example.com": _of_document(
        lambda document: all("example.com" not in one["url"] for one in document.get("servers", ()))
    ),
    "oas3-server-trailing-slash": _of_document(
        lambda document: not any(one["url"][1:].endswith("/") for one in document.get("servers", ()))
    ),
    "oas3-unused-component": _unused,
    "oas3-valid-media-example": _wrong_media_examples,
    "oas3-valid-schema-example": _wrong_schema_examples,
    "openapi-tags-uniqueness": _of_document(
        lambda document: _unique(tag["name"] for tag in document["tags"])
    ),
    "operation-description": _of_operations(lambda one, document: one.get("description")),
    "operation-operationId": _of_operations(lambda one, document: one.get("operationId")),
    "operation-operationId-unique": _of_document(
        lambda document: _unique(one.get("operationId") for _, _, one in operations(document))
    ),
    "operation-operationId-valid-in-url": _of_operations(
        lambda one, document: _IN_URL.fullmatch(one.get("operationId", "none"))
    ),
    "operation-parameters": _of_operations(
        lambda one, document: _unique((each["in"], each["name"]) for each in one.get("parameters", ()))
    ),
    "operation-success-response": _of_operations(
        lambda one, document: any(status[0] in "23" for status in one["responses"])
    ),
    "operation-tag-defined": _of_operations(
        lambda one, document: set(one.get("tags", ())) <= {tag["name"] for tag in document["tags"]}
    ),
    "operation-tags": _of_operations(lambda one, document: one.get("tags")),
    "path-declarations-must-exist": _of_paths(lambda path: "{}" not in path),
    "path-keys-no-trailing-slash": _of_paths(lambda path: not path[1:].endswith("/")),
    "path-not-include-query": _of_paths(lambda path: "?" not in path),
    "path-params": _path_parameters,
    "typed-enum": _of_nodes(lambda node: _has_enum(node) and "type" in node, _keeps_types),
}


def broken(document: Document) -> dict[str, list[str]]:
    """The places of what is wrong, by rule; of rules that are kept nothing."""
    found = {name: rule(document) for name, rule in RULES.items()}
    return {name: places for name, places in found.items() if places}
