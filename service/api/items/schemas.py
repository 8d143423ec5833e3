"""Schemas of items: as they are sent, as they are shown, in pages, in the feed, and the report on a file."""

from __future__ import annotations

from typing import Any

from flask import request
from marshmallow import Schema, fields

from models.costs import LONGEST_EXTRA_NAME, LONGEST_EXTRA_TEXT, MOST_EXTRA
from models.domain.vocabulary import CHANNELS, DEFAULT_CHANNEL
from models.errors import Fault, InputError
from models.price.interface import EVIDENCE_WORDS
from service.api.items.reading import AMOUNT_PATTERN, STOCK_NUMBER, ItemReader
from service.api.values.schemas import CautionSchema, IntervalSchema
from service.api.vocabulary.instrument import InstrumentSchema
from service.context import bundle, today
from service.dumping import described, objects
from service.errors import FaultyRequestError
from service.faults import with_pointers
from service.http.schemas import CURRENCY, DAY, money
from service.inventory.feed import CHANGES
from service.inventory.records import IN_STOCK, LONGEST_STOCK_NUMBER, STATUSES, Item
from service.texts import text_schema

_CHANNELS: dict[str, Any] = {
    "enum": [term.name for term in CHANNELS],
    "x-terms": {t.name: t.meaning for t in CHANNELS},
}
_EXTRA: dict[str, Any] = {
    "type": "object",
    "maxProperties": MOST_EXTRA,
    "propertyNames": {"minLength": 1, "maxLength": LONGEST_EXTRA_NAME, "pattern": r"^\S(.*\S)?$"},
    "additionalProperties": {
        "type": ["string", "number", "boolean", "null"],
        "maxLength": LONGEST_EXTRA_TEXT,
    },
}
_EVIDENCE: dict[str, Any] = {"x-terms": EVIDENCE_WORDS}
_STOCK_NUMBER = f"the dealer's own number of the item: {STOCK_NUMBER}"


class ItemAmountSchema(Schema):
    """An amount of money of an item."""

    amount = fields.String(
        **described("decimal text, above 0 for an asking price", pattern=f"^{AMOUNT_PATTERN}$")
    )
    currency = fields.String(**described("ISO 4217, with a rate today", **CURRENCY))


def _said(text: str, **more: Any) -> dict[str, Any]:
    return {"allow_none": True, "metadata": {"description": text, **more}}


class ItemSchema(Schema):
    """An item as the dealer says it; what is left out or null is not known."""

    instrument = fields.Nested(InstrumentSchema, **described("the instrument; only what is known"))
    cost = fields.Nested(ItemAmountSchema, **_said("what was paid for it"))
    asking = fields.Nested(
        ItemAmountSchema,
        **_said("the asking price; the item is valued in its currency, else in that of the cost"),
    )
    bought = fields.String(**_said("the day on which it was bought", **DAY))
    channel = fields.String(
        **_said(f"the market in which it is offered; default: {DEFAULT_CHANNEL}", **_CHANNELS)
    )
    status = fields.String(**_said(f"default: {IN_STOCK}", enum=[*STATUSES]))
    extra = fields.Dict(**_said("members of your own, which are given back untouched", **_EXTRA))

    def load(self, data: Any, **_: Any) -> Item:
        """Load the item, by `service.api.items.reading`. Raises FaultyRequestError with every fault."""
        stock_number = (request.view_args or {})["stock_number"]
        try:
            reader = ItemReader.of(bundle().valuer, today())
            if data.get("stock_number", stock_number) != stock_number:
                problem, step = "is not the one of the path", "leave it out"
                raise InputError([Fault("stock_number", data["stock_number"], problem, stock_number, step)])
            return reader.from_json(stock_number, data, ("stock_number",))
        except InputError as error:
            raise FaultyRequestError(with_pointers(error.faults)) from None


class ItemLineSchema(ItemSchema):
    """An item as a line of a file."""

    stock_number = fields.String(**described(_STOCK_NUMBER, **text_schema(LONGEST_STOCK_NUMBER)))


class ItemFailureSchema(Schema):
    """The reason why the last valuing failed."""

    field = fields.String(**described("the field that it is about, if it is about one", optional=True))
    problem = fields.String(**described("what was wrong"))


class ShownAmountSchema(Schema):
    """An amount of money."""

    amount = money("the amount")
    currency = fields.String(**described("its currency"))


def _amount(text: str) -> fields.Nested:
    return fields.Nested(ShownAmountSchema, **described(text, optional=True))


class ListedItemSchema(Schema):
    """An item with its value."""

    stock_number = fields.String(**described("the dealer's own number of the item"))
    instrument = fields.Nested(
        InstrumentSchema, **described("the instrument, spelled as the catalogue has it")
    )
    cost = _amount("what was paid for it")
    asking = _amount("the asking price")
    bought = fields.String(**described("the day on which it was bought", optional=True))
    channel = fields.String(**described("the market in which it is offered", **_CHANNELS))
    status = fields.String(**described("where it is", enum=[*STATUSES]))
    extra = fields.Dict(**described("what the dealer keeps with it, untouched", **_EXTRA))
    version = fields.Integer(**described("how often the dealer changed it; a new value is no change"))
    created = fields.String(**described("when it was first sent, in UTC"))
    changed = fields.String(**described("when the dealer last changed it, in UTC"))
    value = _amount("the value in the item's own market, in the currency of its asking price, cost, or USD")
    intervals = objects(IntervalSchema, "ranges of the value", optional=True)
    valued_on = fields.String(**described("the day of the value", optional=True))
    price_model = fields.String(**described("the price model that gave the value", optional=True))
    evidence = fields.String(
        **described("how much evidence stands behind the value", optional=True, **_EVIDENCE)
    )
    failure = fields.Nested(
        ItemFailureSchema,
        **described("why the last valuing failed; the value is then the one before", optional=True),
    )


class ItemReasonSchema(Schema):
    """The effect of one family of fields on the value."""

    family = fields.String(**described("the name of the family"))
    amount = money("its amount; those of all families sum to value − reference")
    effect = fields.Float(**described("its effect on the logarithm of the price"))


class ItemClaimSchema(Schema):
    """A detail that much of the value rests on and that documents can prove."""

    field = fields.String(**described("the field by path"))
    label = fields.String(**described("what to call it"))
    amount = money("what it adds to the value")
    proof = fields.String(**described("what would prove it"))


class ItemDetailSchema(Schema):
    """The grounds of a value."""

    reference_value = money("the price of the typical instrument, from which the reasons are counted")
    reasons = objects(ItemReasonSchema, "reasons by family")
    claims = objects(ItemClaimSchema, "what documents can prove, the largest first")
    cautions = objects(CautionSchema, "what to know before relying on it")
    rate_day = fields.String(**described("the day of the exchange rate"))
    rate_source = fields.String(**described("who published that rate"))
    provisional = fields.Boolean(**described("whether the price model is provisional"))


class ShownItemSchema(ListedItemSchema):
    """An item with its value and the grounds of it."""

    detail = fields.Nested(ItemDetailSchema, **described("what stands behind the value", optional=True))


class ItemPageSchema(Schema):
    """Some items, by stock number."""

    items = objects(ListedItemSchema, "the items of this page")


class ItemChangeSchema(Schema):
    """The last change of an item."""

    stock_number = fields.String(**described("of which item"))
    change = fields.String(**described("what happened last", enum=[*CHANGES]))
    item = fields.Nested(
        ListedItemSchema, **described("the item as it is now; null: it was deleted", optional=True)
    )


class ItemChangesSchema(Schema):
    """Changes in their order; each item stands once, at its last change."""

    changes = objects(ItemChangeSchema, "the changes")
    next = fields.String(**described("what to send as `after` next time; always given"))


class DeletedItemSchema(Schema):
    """An item that was just deleted."""

    stock_number = fields.String(**described("which item"))
    deleted = fields.String(**described("when, in UTC"))
