"""Schemas of a revaluation, of its filter, and of the history of an item's values."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from models.decisions.movement import MEANINGS
from models.domain.vocabulary import CHANNEL_NAMES
from service.api.items.filter_schema import StockFilterSchema
from service.api.items.filters import read_stock_filter
from service.api.requests.bodies.members import ObjectField
from service.dumping import OpenObject, described, dumper, objects
from service.http.schemas import Moment, money
from service.inventory.revaluations import REASONS, STATES

_TERMS: dict[str, Any] = {"x-terms": {str(cause): text for cause, text in MEANINGS.items()}}
_REASONS: dict[str, Any] = {"x-terms": REASONS}
_STATES: dict[str, Any] = {"x-terms": STATES}


class RevaluationRequestSchema(Schema):
    """A wish for a revaluation."""

    filter = ObjectField(
        StockFilterSchema,
        read_stock_filter,
        allow_none=True,
        metadata={"description": "which items to value; left out: all of them"},
    )


class RevaluationSchema(Schema):
    """A revaluation, and how far it has come."""

    id = fields.String(**described("its id"))
    reason = fields.String(**described("what began it", enum=[*REASONS], **_REASONS))
    state = fields.String(**described("how far it has come", enum=[*STATES], **_STATES))
    filter = fields.Raw(
        **described("which items; empty: all of them", type="object", additionalProperties=True)
    )
    valued_on = fields.Date(
        **described("the day that the values are of; over midnight, the day of the last ones")
    )
    price_model = fields.String(**described("the price model when it began; null: it has not", optional=True))
    total = fields.Integer(**described("how many items there were to value when it began"))
    done = fields.Integer(**described("how many it has gone through, those included whose value stands"))
    failed = fields.Integer(**described("how many of those could not be valued"))
    created = Moment(**described("when it was asked for"))
    started = Moment(**described("when work on it began; null: it waits", optional=True))
    finished = Moment(**described("when it ended; null: it has not", optional=True))


class RevaluationPageSchema(Schema):
    """A page of revaluations."""

    revaluations = objects(RevaluationSchema, "newest first")


class PlainAmountSchema(Schema):
    """An amount of money."""

    amount = money("the amount")
    currency = fields.String(**described("its currency"))


class CauseSchema(Schema):
    """One cause that moved a value, and by how much."""

    cause = fields.String(**described("the cause", enum=[str(cause) for cause in MEANINGS], **_TERMS))
    field = fields.String(**described("the changed field by path; null for other causes", optional=True))
    amount = money("what it added, in the currency of the value; below 0: what it took")


class KeptRangeSchema(Schema):
    """A range of a kept value."""

    level = fields.Float(**described("the share of cases in which the price should lie within"))
    low = money("its lower end")
    high = money("its upper end")


class KeptValueSchema(Schema):
    """One value of an item, and why it is another than the one before it."""

    at = Moment(**described("when it was valued"))
    valued_on = fields.Date(**described("the day that the value is of"))
    version = fields.Integer(**described("the version of the item that was valued"))
    price_model = fields.String(**described("the price model that gave it"))
    channel = fields.String(**described("the channel that it is for", enum=[*CHANNEL_NAMES]))
    value = OpenObject(PlainAmountSchema, **described("the value"))
    intervals = fields.List(OpenObject(KeptRangeSchema), **described("its ranges"))
    rate_day = fields.Date(**described("the day of its exchange rate"))
    before = OpenObject(
        PlainAmountSchema,
        **described("the value before it, in the currency of this one; null: it is the first", optional=True),
    )
    restated_from = fields.String(
        **described(
            "the currency that the value before had: it was converted at the rate of its day. Null: the same",
            optional=True,
        )
    )
    difference = OpenObject(
        PlainAmountSchema, **described("value − before, to the cent; null: it is the first", optional=True)
    )
    why = fields.List(OpenObject(CauseSchema), **described("the causes, whose amounts sum to the difference"))
    revaluation = fields.String(**described("the revaluation that it is of; null: of none", optional=True))


class HistorySchema(Schema):
    """A page of an item's values."""

    stock_number = fields.String(**described("the item's stock number"))
    values = objects(KeptValueSchema, "newest first")


dump_revaluation = dumper(RevaluationSchema)
dump_history = dumper(HistorySchema)
