"""Answers are dumped as marshmallow itself dumps them by the schemas that describe them."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import orjson
from apps import parts
from fakes import CATALOGUE
from flask import Flask
from marshmallow import Schema, fields
from specimens import drawn

from models.insights.alternatives import alternatives
from models.valuation.valuer import Valuer
from service.api.parts.case import Case
from service.api.parts.parts import PART_SCHEMAS, PARTS, PartOf, dump_alternatives, dump_part, include
from service.api.parts.schemas import AlternativesSchema
from service.api.values.schemas import (
    AttributionsSchema,
    IntervalsSchema,
    ValuationHead,
    ValuationHeadSchema,
    dump_attributions,
    dump_intervals,
    dump_valuation,
)
from service.api.values.services import ValuationRequest
from service.dumping import Pairs, TextOfWhole, Whole, dumper
from service.http.schemas import Moment, money

LEVELS = (0.5, 0.9)


class WearSchema(Schema):
    """A part and its wear."""

    part = fields.String()
    grade = fields.Float()


class SaleSchema(Schema):
    """The seller and the day of a sale."""

    seller = fields.String(attribute="seller.name")
    day = fields.Date(attribute="on")


class ReceiptSchema(Schema):
    """One of each kind of member."""

    title = TextOfWhole(lambda receipt: f"{receipt.seller.name}, {receipt.number}")
    number_ = fields.Integer(attribute="number", data_key="number")
    price = money("what was paid")
    fee = money("what was paid beside it", optional=True)
    at = Moment()
    wear = Pairs(WearSchema)
    parts = fields.List(fields.Nested(WearSchema))
    tags = fields.List(fields.String())
    best = fields.Nested(WearSchema, allow_none=True)
    sale = Whole(SaleSchema)


RECEIPT = SimpleNamespace(
    number=7,
    price=Decimal("12.50"),
    fee=None,
    at=datetime(2026, 1, 2, 3, 4, 5, 678_901, tzinfo=UTC),
    wear={"neck": 2.0, "top": 1.5},
    parts=[SimpleNamespace(part="nut", grade=0.0)],
    tags=("a", "b"),
    best=None,
    seller=SimpleNamespace(name="Ida"),
    on=date(2026, 1, 2),
)


def sent(answer: Any) -> Any:
    return json.loads(orjson.dumps(answer))


def test_each_kind_of_member_has_its_form() -> None:
    found = dumper(ReceiptSchema)(RECEIPT)
    assert list(found) == list(sent(found))
    assert sent(found) == {
        "title": "Ida, 7",
        "number": 7,
        "price": "12.50",
        "fee": None,
        "at": "2026-01-02T03:04:05.678Z",
        "wear": [{"part": "neck", "grade": 2.0}, {"part": "top", "grade": 1.5}],
        "parts": [{"part": "nut", "grade": 0.0}],
        "tags": ["a", "b"],
        "best": None,
        "sale": {"seller": "Ida", "day": "2026-01-02"},
    }


def test_marshmallow_dumps_each_kind_alike() -> None:
    found = ReceiptSchema().dump(RECEIPT)
    assert sent(dumper(ReceiptSchema)(RECEIPT)) == found and list(found)[:3] == ["title", "number", "price"]


def cases(valuer: Valuer) -> list[Case]:
    subjects = drawn(CATALOGUE, 40, seed=3)
    return [Case(ValuationRequest(subject, "EUR", LEVELS), valuer) for subject in subjects]


def test_values_are_dumped_as_marshmallow_dumps_them(shared_app: Flask) -> None:
    for case in cases(parts(shared_app).live.bundle().valuer):
        found = case.valuation
        assert sent(dump_intervals(found)) == IntervalsSchema().dump(found)
        assert sent(dump_attributions(found)) == AttributionsSchema().dump(found)
        now = datetime(2026, 1, 2, tzinfo=UTC)
        record = ValuationHeadSchema().dump(ValuationHead("val_1", now, found.instrument))
        assert sent(dump_valuation(found, "val_1", now)) == {**record, **AttributionsSchema().dump(found)}


def test_parts_are_dumped_as_marshmallow_dumps_them(shared_app: Flask) -> None:
    filled = set()
    for case in cases(parts(shared_app).live.bundle().valuer):
        subject = case.request.subject
        rate = case.valuer.quote("EUR", subject.day)
        for name, part in PARTS.items():
            found = part.find(case)
            expected = PART_SCHEMAS[name]().dump(PartOf("val_1", case, rate, found))
            assert sent(dump_part("val_1", case, name, found)) == expected
            assert sent(include(case, [name])) == {name: expected[name]}
            filled |= {name} if expected[name] else set()
        other = alternatives(case.valuer, subject, [{"condition.neck": 1.0}], "EUR", LEVELS)
        expected = AlternativesSchema().dump(PartOf("val_1", case, rate, other))
        assert sent(dump_alternatives("val_1", case, other)) == expected
    assert filled == set(PARTS)
