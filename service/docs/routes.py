"""GET /openapi.json and GET /docs; neither needs a key, and the page needs no network."""

from __future__ import annotations

import json
from typing import Any

from flask import Blueprint, Response, current_app, render_template

from models.domain.parsing import plain
from service.docs.complete import METHODS
from service.docs.openapi import document
from service.http.queries import read_query
from service.http.responses import HTML, json_response
from service.problems import all_kinds

blp = Blueprint("docs", __name__, template_folder="templates")


@blp.before_request
def refuse_query() -> None:
    """Refuse any member of a query, since neither path has one."""
    read_query(())


@blp.get("/openapi.json")
def show_openapi() -> Response:
    """The OpenAPI document."""
    return json_response(document(current_app))


@blp.get("/docs")
def show_docs() -> Response:
    """The document as a page to read."""
    doc = document(current_app)
    operations = [
        (path, method, operation, [*item.get("parameters", ()), *operation.get("parameters", ())])
        for path, item in doc["paths"].items()
        for method, operation in item.items()
        if method in METHODS
    ]
    html = render_template(
        "docs.html", doc=doc, operations=operations, kinds=all_kinds(), shown=shown, sample=sample
    )
    return Response(html, mimetype=HTML)


def sample(example: Any) -> str:
    """An example as text: rows as they are sent, anything else as JSON."""
    return example if isinstance(example, str) else json.dumps(example, indent=2, ensure_ascii=False)


def shown(schema: dict[str, Any]) -> str:
    """A schema's type in a few words."""
    if "$ref" in schema:
        return str(schema["$ref"]).rsplit("/", 1)[-1]
    for joint, word in (("anyOf", " or "), ("oneOf", " or "), ("allOf", " and ")):
        if joint in schema:
            return word.join(shown(one) for one in schema[joint])
    kind = schema.get("type", "anything")
    kinds = [kind] if isinstance(kind, str) else list(kind)
    if "array" in kinds:
        return f"list of {shown(schema.get('items', {}))}"
    words = " or ".join(kinds)
    if schema.get("enum"):
        words += ": " + ", ".join(str(term) for term in schema["enum"] if term is not None)
    low, high = schema.get("minimum"), schema.get("maximum")
    return words + (f", {plain(low)} to {plain(high)}" if low is not None and high is not None else "")
