"""The OpenAPI document: what flask-smorest gathers from the views, with our problems for its errors."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from importlib.metadata import version
from inspect import getdoc
from typing import Any

import orjson
from flask import Flask
from flask_smorest import Api

from models.domain.catalogue import Catalogue
from service import problems
from service.api.evidence.examples import example_file, example_record
from service.api.items.examples import example_item, example_line, example_sheet
from service.api.parts.changes import EXAMPLES
from service.api.requests.bodies.examples import example_appraisal
from service.api.stocklists.examples import example_list, example_row
from service.api.values.examples import example_request
from service.context import bundle
from service.docs.complete import complete
from service.docs.examples import BODIES, show
from service.errors import NoBundleError
from service.faults import ProblemSchema
from service.http.blueprint import Blueprint
from service.http.converters import CONVERTERS
from service.keys.kinds import SCOPES

_ABOUT = """\
Values of collectible electric guitars, with honest ranges and what moved each price. Every value is a \
statistical estimate from evidence: not an authentication, and not a qualified or certified appraisal.

Leave out a field that is not known, or send null: that widens the ranges and is never an error. If fields \
are wrong, one answer names all of them, each with a pointer into the body. Money is decimal text; days are \
ISO 8601.

A body can be compressed (Content-Encoding: gzip), and so are answers of 1,024 bytes and more for a caller \
that accepts it (Accept-Encoding: gzip). Every answer to GET has an ETag: send it back as If-None-Match, \
and an answer that has not changed is not sent again. A member of a query that the operation does not have \
is refused. Every answer has an X-Request-ID: the one that you sent, or a new one. A traceparent (W3C \
Trace Context) goes into the service's log."""
# The service knows neither who runs it nor the address that callers reach it by.
_INFO = {"description": _ABOUT, "contact": {"name": "The operator of this service"}}
_SERVERS = [{"url": "/", "description": "the service that this document came from"}]


class ProblemApi(Api):  # type: ignore[misc]  # flask-smorest has no types
    """flask-smorest whose responses to errors are problem documents."""

    DEFAULT_ERROR_RESPONSE_NAME = None
    ERROR_SCHEMA = ProblemSchema


def describe(app: Flask, blueprints: Sequence[Blueprint]) -> None:
    """Register the blueprints and keep the document made from their views."""
    app.config.update(API_TITLE="Bookmatch", API_VERSION=version("bookmatch"), OPENAPI_VERSION="3.1.0")
    api = ProblemApi(app, spec_kwargs={"info": _INFO, "servers": _SERVERS})
    problems.register(app)  # in place of flask-smorest's own handler
    scopes = "; ".join(f"{name}: {meaning}" for name, meaning in SCOPES.items())
    api.spec.components.security_scheme(
        "system_key",
        {
            "type": "http",
            "scheme": "bearer",
            "description": f"A system key, with scopes. {scopes}. `x-scopes` "
            "of an operation names the scopes that open it; one of them is enough.",
        },
    )
    api.spec.components.security_scheme(
        "website_key",
        {
            "type": "http",
            "scheme": "bearer",
            "description": "A website key: for the form of a website, from that website's origins only. "
            "It reads only the valuations that it made.",
        },
    )
    api.spec.components.security_scheme(
        "owner_link",
        {
            "type": "http",
            "scheme": "bearer",
            "description": "The last part of an owner's private link (`/follow/…`), which opens one request.",
        },
    )
    app.url_map.converters.update(CONVERTERS)
    for converter in CONVERTERS.values():
        api.register_converter(converter, lambda found: dict(found.schema))
    for blueprint in blueprints:
        api.register_blueprint(blueprint)
        for schema in blueprint.lines:
            name = schema.__name__.removesuffix("Schema")
            if name not in api.spec.components.schemas:  # a line can be a body of its own too
                api.spec.components.schema(name, schema=schema)
    found = orjson.loads(orjson.dumps(api.spec.to_dict()))
    del found["components"]["schemas"]["PaginationMetadata"]  # flask-smorest's: no answer has it
    complete(found, _texts(api))
    show(found)
    app.extensions["bookmatch-openapi"] = found


def _texts(api: ProblemApi) -> dict[str, str]:
    """Give the docstring of each schema's class by the schema's name in the document."""
    refs = api.ma_plugin.converter.refs
    return {name: getdoc(key[0]) or "" for key, name in refs.items() if key[0].__doc__}


def document(app: Flask) -> dict[str, Any]:
    """The document of this application, with an example that its current catalogue can answer."""
    found: dict[str, Any] = app.extensions["bookmatch-openapi"]
    try:
        examples = {**BODIES, **EXAMPLES, **_examples(bundle().valuer.catalogue)}
    except NoBundleError:
        return found
    for item in found["paths"].values():
        for content in _bodies(item):
            schema = content["schema"]
            name = schema.get("title") or _name(schema) or _name(schema.get("contentSchema", {}))
            if name in examples:
                lines = "contentSchema" in schema
                content["example"] = f"{orjson.dumps(examples[name]).decode()}\n" if lines else examples[name]
    return found


def _name(schema: Mapping[str, Any]) -> str:
    return str(schema.get("$ref", "")).rsplit("/", 1)[-1]


def _examples(catalogue: Catalogue) -> dict[str, Any]:
    """Return an example of each body, by the name of its schema."""
    record = example_record(catalogue)
    corrected = {name: value for name, value in record.items() if name != "id"}
    return {
        "ValuationRequest": example_request(catalogue),
        "NewRequest": example_appraisal(catalogue),
        "NewEvidence": record,
        "CorrectedEvidence": corrected,
        "EvidenceCsv": example_file(record),
        "Item": example_item(catalogue),
        "ItemLine": example_line(catalogue),
        "ItemsCsv": example_sheet(catalogue),
        "StockRow": example_row(catalogue),
        "StockCsv": example_list(catalogue),
    }


def _bodies(item: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for operation in item.values():
        if isinstance(operation, dict) and "requestBody" in operation:
            yield from operation["requestBody"]["content"].values()
