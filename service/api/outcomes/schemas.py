"""Schemas of outcomes, in requests and answers."""

from __future__ import annotations

from marshmallow import Schema, fields

from models.domain.vocabulary import CHANNEL_NAMES, MAX_TEXT
from service.dumping import StoredJson, described, dumper
from service.faults import RecordWarningSchema
from service.http.schemas import CURRENCY, DAY, PRICE, Moment, money
from service.texts import text_schema


class OutcomeRequestSchema(Schema):
    """The sale of a valued instrument; a member that is left out is taken from the valuation."""

    date = fields.Raw(**described("the day of the sale", type="string", **DAY))
    price = fields.Raw(**described("what the buyer paid in all, without tax and shipping", **PRICE))
    currency = fields.Raw(
        allow_none=True,
        metadata={"type": "string", "description": "ISO 4217; default: that of the valuation", **CURRENCY},
    )
    channel = fields.Raw(
        allow_none=True,
        metadata={
            "type": "string",
            "enum": [*CHANNEL_NAMES, None],
            "description": "where it was sold; default: the market of the valuation",
        },
    )
    source = fields.Raw(allow_none=True, metadata={"type": "string", "description": "where this comes from"})


class OutcomeEvidenceSchema(Schema):
    """The record of evidence that holds the sale already."""

    evidence = fields.String(
        **described("the id of a record in use, of a closed sale of the same model", **text_schema(MAX_TEXT))
    )


class ValuedSchema(Schema):
    """The value that the instrument was given before its sale."""

    date = fields.Date(**described("the day of the value"))
    value = money("the value")
    currency = fields.String(**described("its currency"))
    channel = fields.String(**described("its market"))


class ValuationOutcomeSchema(Schema):
    """The outcome of a valuation: the sale of the instrument."""

    valuation = fields.String(attribute="valued.id", **described("the id of the valuation"))
    evidence = fields.String(
        attribute="sale.id", **described("the id of the record of evidence that holds the sale")
    )
    date = fields.Date(attribute="sale.day", **described("the day of the sale"))
    price = fields.String(attribute="sale.price", **described("what the buyer paid in all"))
    currency = fields.String(attribute="sale.currency", **described("its currency"))
    channel = fields.String(attribute="sale.channel", **described("where it was sold"))
    source = fields.String(attribute="sale.source", **described("where this comes from; may be empty"))
    valued = fields.Nested(ValuedSchema, **described("what the valuation said"))
    recorded = Moment(attribute="link.recorded", **described("when the outcome was recorded, in UTC"))
    changed = Moment(
        attribute="link.changed", **described("when the record that holds the sale was last named, in UTC")
    )
    withdrawn = Moment(
        attribute="sale.withdrawn",
        **described(
            "when the record was withdrawn, so that it no longer counts; null: it is in use", optional=True
        ),
    )
    warnings = StoredJson(
        RecordWarningSchema,
        many=True,
        attribute="sale.warnings",
        **described("why the record is hard to believe; with any, it does not count before it is confirmed"),
    )
    confirmed = Moment(
        attribute="sale.confirmed",
        **described(
            "when the record was confirmed in spite of its warnings; null: it was not", optional=True
        ),
    )


dump_outcome = dumper(ValuationOutcomeSchema)
