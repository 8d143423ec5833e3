"""The texts of the document that flask-smorest does not gather: of parameters, schemas, bodies and problems.

Each text comes from its owner: a schema's is its docstring, a problem's is the table that makes it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from http import HTTPStatus
from itertools import groupby
from typing import Any

from service import problems
from service.http.hooks.rate_limits import HEADERS as RATE_LIMIT

METHODS = ("get", "post", "put", "patch", "delete")
PATH_PARAMETERS = {
    "request_id": "the id of a request for an appraisal, from the answer that made it",
    "valuation_id": "the id of a kept valuation, from the answer that made it",
    "maker": "a maker, as the catalogue names it; case, accents and surplus spaces do not matter",
    "model": "a model of that maker, as the catalogue names it; matched in the same way",
    "evidence_id": "the id of a record, which you chose; it can hold slashes",
    "stock_number": "the dealer's own number of an item; it can hold slashes",
    "report_id": "the id of a report, from the answer that issued it",
    "email_id": "the number of an e-mail, from the list of e-mails",
    "version": "the version of a price model, from the list of price models",
    "photograph_id": "the id of a photograph, from the answer that made it or from the list",
    "key_id": "the id of a key, from the list of keys; in the key itself it stands between the underscores",
}
_REQUEST_ID = {"X-Request-ID": "the id of this request: the one that you sent, or a new one"}
_RETRY = {"Retry-After": "seconds to wait before sending it again"}
_CHALLENGE = {"WWW-Authenticate": "how to send a key (RFC 6750)"}
_OF_STATUS = {401: _CHALLENGE, 403: _CHALLENGE, 409: _RETRY, 429: {**RATE_LIMIT, **_RETRY}, 503: _RETRY}


def headers(meanings: Mapping[str, str]) -> dict[str, Any]:
    """Headers of an answer as the document has them."""
    return {
        name: {"description": text, "schema": {"type": "string"}} for name, text in sorted(meanings.items())
    }


def _problem_responses(responses: dict[str, Any]) -> None:
    """Name in each response of flask-smorest's the kinds of problems, their form and their headers."""
    known = {status: list(kinds) for status, kinds in groupby(problems.all_kinds(), lambda kind: kind.status)}
    for name, response in responses.items():
        status = HTTPStatus[name]
        kinds = "; ".join(f"{kind.name}: {kind.title}. {kind.remedy}" for kind in known.get(status, ()))
        response["description"] = kinds or f"{status.phrase}."
        (form,) = response["content"].values()
        response["content"] = {problems.PROBLEM_JSON: form}
        response["headers"] = headers({**_REQUEST_ID, **_OF_STATUS.get(status, {})})


def complete(document: dict[str, Any], texts: Mapping[str, str]) -> None:
    """Describe each schema, parameter and body. `texts`: what each schema is, by its name."""
    _problem_responses(document["components"]["responses"])
    for name, schema in document["components"]["schemas"].items():
        if texts.get(name):
            schema.setdefault("description", texts[name])
    for item in document["paths"].values():
        for parameter in item.get("parameters", ()):
            parameter.setdefault("description", PATH_PARAMETERS.get(parameter["name"], ""))
    for operation in operations(document):
        _complete(operation, texts)


def operations(document: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Every operation of the document."""
    for item in document["paths"].values():
        yield from (operation for method, operation in item.items() if method in METHODS)


def _complete(operation: dict[str, Any], texts: Mapping[str, str]) -> None:
    body = operation.get("requestBody")
    if body:
        texts_of = [_text(content["schema"], texts) for content in body["content"].values()]
        body.setdefault("description", " Or: ".join(texts_of))
    for status, answered in operation["responses"].items():
        if "$ref" not in answered:
            counted = RATE_LIMIT if "security" in operation and status < "300" else {}
            answered.setdefault("headers", {}).update(headers({**_REQUEST_ID, **counted}))


def _text(schema: Mapping[str, Any], texts: Mapping[str, str]) -> str:
    name = schema.get("$ref", "").rpartition("/")[2]
    return texts.get(name) or str(schema.get("description", ""))
