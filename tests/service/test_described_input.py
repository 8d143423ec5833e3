"""The service reads the bodies that the OpenAPI document describes, no more and no less."""

from __future__ import annotations

from typing import Any

import pytest
from apps import caller_of
from asking import DAL
from described import schema_of, validator
from flask import Flask

from models.domain.instrument import Instrument
from models.domain.vocabulary import FIELDS, Field, Kind
from models.errors import InputError
from service.keys.kinds import SCOPES

SALE = {
    "kind": "sale",
    "date": "2025-06-01",
    "price": "1800.00",
    "currency": "USD",
    "channel": "dealer",
    "instrument": {"maker": "Ostvik", "model": "Dal"},
}
BLANK = [
    ("post", "/v1/evidence", {**SALE, "id": " "}),
    ("put", "/v1/valuations/{valuation_id}/outcome/evidence", {"evidence": "\t"}),
    ("post", "/v1/keys", {"label": "  ", "scopes": ["valuations"]}),
    ("post", "/v1/price-models/{version}/promote", {"why": " "}),
    ("post", "/v1/price-models/{version}/rollback", {"why": "it is good", "who": " "}),
    ("post", "/v1/valuations", {"instrument": {"maker": " ", "model": "Dal"}}),
]


@pytest.mark.parametrize(("method", "path", "body"), BLANK)
def test_blanks_where_a_text_is_needed_are_refused_as_the_document_says(
    own_app: Flask, method: str, path: str, body: dict[str, Any]
) -> None:
    caller = caller_of(own_app, *SCOPES)
    document = caller.get("/openapi.json").json
    schema = document["paths"][path][method]["requestBody"]["content"]["application/json"]["schema"]
    assert not validator(document, schema).is_valid(body)
    asked = path.format(valuation_id=caller.post("/v1/valuations", DAL).json["id"], version="current")
    assert caller.ask(method, asked, body).status_code == 422


# ── the described instrument ─────────────────────────────────────────────────


@pytest.fixture(scope="module")
def document(shared_app: Flask) -> dict[str, Any]:
    found: dict[str, Any] = shared_app.test_client().get("/openapi.json").json
    return found


def nested(field: Field, value: Any) -> dict[str, Any]:
    data: dict[str, Any] = {"maker": "Ostvik", "model": "Dal"}
    group, _, name = field.path.rpartition(".")
    (data.setdefault(group, {}) if group else data)[name] = value
    return data


def good(field: Field) -> list[Any]:
    if field.kind is Kind.TERM:
        return [*field.names]
    if field.kind is Kind.FLAG:
        return [True, False]
    return ["some text"] if field.kind is Kind.TEXT else [field.low, field.high]


def bad(field: Field) -> list[Any]:
    common: list[Any] = [[], {}, [1]]
    if field.kind is Kind.TERM:
        return [*common, "no such term", 3, True]
    if field.kind is Kind.FLAG:
        return [*common, "true", 1]
    if field.kind is Kind.TEXT:
        return [*common, 3, "x" * 201]
    assert field.low is not None and field.high is not None
    return [*common, field.low - 1, field.high + 1, "3"]


@pytest.mark.parametrize("field", FIELDS, ids=lambda field: field.path)
def test_what_is_described_is_read_and_what_is_not_is_refused(document: dict[str, Any], field: Field) -> None:
    schema = schema_of(document, "Instrument")
    optional = [] if field.flat in ("maker", "model") else [None]
    for value in good(field) + optional:
        schema.validate(nested(field, value))
        Instrument.from_nested(nested(field, value))
    for value in bad(field):
        assert not schema.is_valid(nested(field, value)), value
        with pytest.raises(InputError):
            Instrument.from_nested(nested(field, value))


def test_the_described_instrument_has_the_fields_of_the_vocabulary_and_no_other(
    document: dict[str, Any],
) -> None:
    schemas = document["components"]["schemas"]
    groups = ("condition", "originality", "provenance")
    top = {name for name in schemas["Instrument"]["properties"] if name not in groups}
    inner = {f"{g}.{name}" for g in groups for name in schemas[g.title()]["properties"]}
    assert top | inner == {field.path for field in FIELDS}
    assert schemas["Instrument"]["required"] == ["maker", "model"]
    assert not schema_of(document, "Instrument").is_valid({"maker": "a", "model": "b", "colour": "c"})
