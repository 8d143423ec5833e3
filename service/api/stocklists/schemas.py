"""Schemas of a line of NDJSON, in a stock list and in the list of its values."""

from __future__ import annotations

from marshmallow import RAISE, Schema, fields

from models.domain.vocabulary import CHANNEL_NAMES, MAX_TEXT
from models.tables.stocklist import FAMILIES
from service.api.values.schemas import VALUE, IntervalSchema
from service.api.vocabulary.instrument import InstrumentSchema
from service.dumping import described, dumper
from service.faults import FaultSchema
from service.http.schemas import CURRENCY, DAY, money, rate_members


class StockRowSchema(Schema):
    """One instrument of a stock list."""

    class Meta:
        """Marshmallow's options: unknown members are refused."""

        unknown = RAISE

    id = fields.String(**described("your own name for it; it comes back with the values", maxLength=MAX_TEXT))
    instrument = fields.Nested(InstrumentSchema, **described("the instrument; only what is known"))
    date = fields.String(
        allow_none=True,
        metadata={"description": "the day of its value; default: that of the list", **DAY},
    )
    channel = fields.String(
        allow_none=True,
        metadata={
            "description": "the market of its value; default: that of the list",
            "enum": [*CHANNEL_NAMES, None],
        },
    )
    currency = fields.String(
        allow_none=True,
        metadata={"description": "the currency of its amounts; default: that of the list", **CURRENCY},
    )


EffectsSchema = Schema.from_dict(
    {
        str(family): fields.Float(**described(f"the effect of {family} on the logarithm of the price"))
        for family in FAMILIES
    },
    name="Effects",
)
EffectsSchema.__doc__ = "The effect of each family of fields on the logarithm of the price."


class StockLineSchema(Schema):
    """The members that name a line of a stock list."""

    line = fields.Integer(**described("the line of the list that it stands on, from 1"))
    id = fields.String(**described("its id, as it was sent; null: it had none", optional=True))


class FiguresOfLineSchema(Schema):
    """The members that have the values of an instrument."""

    date = fields.Date(metadata={"description": "the day of the value"})
    channel = fields.String(metadata={"description": "the market of the value"})
    currency = fields.String(metadata={"description": "the currency of every amount"})
    rate_day, rate_source = rate_members(required=False).values()
    value = money(VALUE, required=False)
    intervals = fields.List(
        fields.Nested(IntervalSchema), metadata={"description": "ranges, in the order asked"}
    )
    reference_value = money("the price of a typical instrument of the same model", required=False)
    effects = fields.Nested(
        EffectsSchema, metadata={"description": "value = reference_value × exp(their sum), to the cent"}
    )
    evidence = fields.String(
        metadata={"description": "how much evidence stands behind it, in a word: see the vocabulary"}
    )
    cautions = fields.List(
        fields.String(),
        metadata={"description": "codes of what to know before relying on it: see the vocabulary"},
    )


class ErrorsOfLineSchema(Schema):
    """The member that says why an instrument could not be valued."""

    errors = fields.List(
        fields.Nested(FaultSchema),
        metadata={"description": "everything that is wrong with the row; pointers lead into its own object"},
    )


class ValuedLineSchema(FiguresOfLineSchema, StockLineSchema):
    """The values of one instrument of a stock list."""


class RefusedLineSchema(ErrorsOfLineSchema, StockLineSchema):
    """The errors of an instrument of a stock list that could not be valued."""


class StockValueSchema(ErrorsOfLineSchema, ValuedLineSchema):
    """The values of one instrument of a stock list; or, where it could not be valued, its errors alone."""


dump_valued, dump_refused = dumper(ValuedLineSchema), dumper(RefusedLineSchema)
