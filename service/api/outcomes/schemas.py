"""What an outcome looks like, sent and answered."""

from __future__ import annotations

from marshmallow import Schema, fields

from models.vocabulary import CHANNEL_NAMES, MAX_TEXT
from service.http.schemas import CURRENCY, DAY, PRICE, described, money
from service.texts import text_schema


class OutcomeRequestSchema(Schema):
    """What it was sold for. Read by `models.evidence`; what is left out is as it was valued."""

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
    source = fields.Raw(
        allow_none=True, metadata={"type": "string", "description": "where this is known from"}
    )


class OutcomeEvidenceSchema(Schema):
    """Which record of evidence holds the sale already."""

    evidence = fields.String(
        **described("the id of a record in use, of a closed sale of the same model", **text_schema(MAX_TEXT))
    )


class ValuedSchema(Schema):
    """What was said of it before."""

    date = fields.Date(**described("the day of the value"))
    value = money("the value")
    currency = fields.String(**described("its currency"))
    channel = fields.String(**described("its market"))


class ValuationOutcomeSchema(Schema):
    """What a valued instrument was sold for."""

    valuation = fields.String(**described("the id of the valuation"))
    evidence = fields.String(**described("the id of the record of evidence that holds the sale"))
    date = fields.Date(**described("the day of the sale"))
    price = fields.String(**described("what the buyer paid in all"))
    currency = fields.String(**described("its currency"))
    channel = fields.String(**described("where it was sold"))
    source = fields.String(**described("where this is known from; may be empty"))
    valued = fields.Nested(ValuedSchema, **described("what the valuation said"))
    recorded = fields.DateTime(**described("when the outcome was recorded, in UTC"))
    changed = fields.DateTime(**described("when it was last said which record holds the sale, in UTC"))
    withdrawn = fields.DateTime(
        **described(
            "when the record was withdrawn: then it judges nothing; null: it is in use", optional=True
        )
    )
