"""Read the request for an offer, and kept terms: their schemas, and fields that `models.decisions` checks."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from functools import partial
from typing import Any, NamedTuple

from marshmallow import RAISE, Schema, ValidationError, fields, post_load, validates_schema

from models.costs import LONGEST_TERMS_NAME
from models.decisions.buying import PriceAsked
from models.decisions.terms import (
    PATTERN,
    TERMS,
    OfferTerm,
    OfferTerms,
    read_number,
    read_terms,
    too_fine,
)
from models.domain.instrument import Subject
from models.domain.money import BASE_CURRENCY, amount_step
from models.domain.names import ALIKE, nearest
from models.domain.vocabulary import CHANNEL_NAMES, DEFAULT_CHANNEL
from models.errors import Fault, InputError
from service.api.parts.changes import Costs, CostsField, CostsSchema
from service.api.values.requests import ChannelField, CurrencyField, DayField, OwnField
from service.api.vocabulary.instrument import InstrumentField
from service.context import today
from service.dumping import described
from service.faults import with_pointers
from service.http.schemas import CURRENCY, DAY
from service.texts import text_faults, text_schema

_MOST_ASKED = Decimal(10**12) - 1
_ASKED_MEMBERS = ("amount", "currency", "channel")


def _number(term: OfferTerm, name: str) -> fields.Field[Any]:
    unit = "in the currency beside the terms, " if term.amount else ""
    bounds = {"minimum": float(term.least), "maximum": float(term.most)}
    text = f"{term.meaning}; {unit}as decimal text or a number{'' if term.required else '; default: 0'}"
    metadata = {"type": ["string", "number"], "pattern": f"^{PATTERN}$", **bounds, "description": text}
    return fields.Raw(required=term.required, allow_none=not term.required, metadata=metadata)


OfferTermsSchema: type[Schema] = Schema.from_dict(
    {name: _number(term, name) for name, term in TERMS.items()}, name="OfferTermsSchema"
)
OfferTermsSchema.__doc__ = (
    "The terms on which a buyer buys. The tax is on the margin: the resale price minus the price paid."
)


class AskedPriceSchema(Schema):
    """A price that is asked for the instrument."""

    amount = fields.Raw(
        required=True,
        metadata={
            "type": ["string", "number"],
            "pattern": f"^{PATTERN}$",
            "exclusiveMinimum": 0,
            "maximum": float(_MOST_ASKED),
            "description": "the amount, above 0, as decimal text or a number",
        },
    )
    currency = CurrencyField(
        required=True, metadata={"type": "string", **CURRENCY, "description": "its currency"}
    )
    channel = ChannelField(
        allow_none=True,
        metadata={
            "type": "string",
            "enum": [*CHANNEL_NAMES, None],
            "description": "the market that it is asked in: asking prices of others then do not count",
        },
    )


class _ReadObject(fields.Nested):
    """An object whose schema describes it, and which a function reads with all faults at once."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, partial: Any = None, **kwargs: Any
    ) -> Any:
        try:
            return self.read(value, data or {})
        except InputError as error:
            raise ValidationError(list(with_pointers(error.faults))) from None

    def read(self, value: Any, beside: Mapping[str, Any]) -> Any:
        """Read the object; `beside`: the object that it is a member of. Raises InputError."""
        raise NotImplementedError


class TermsField(_ReadObject):
    """Terms, whose amounts are in the `currency` beside them."""

    def __init__(self, **options: Any) -> None:
        super().__init__(OfferTermsSchema(unknown=RAISE), **options)

    def read(self, value: Any, beside: Mapping[str, Any]) -> OfferTerms:
        """Read the terms. Raises InputError."""
        currency = beside.get("currency")
        return read_terms(value, currency.strip().upper() if isinstance(currency, str) else BASE_CURRENCY)


class AskedField(_ReadObject):
    """An asked price."""

    def __init__(self, **options: Any) -> None:
        super().__init__(AskedPriceSchema(unknown=RAISE), **options)

    def read(self, value: Any, beside: Mapping[str, Any]) -> PriceAsked:
        """Read the asked price. Raises InputError."""
        if not isinstance(value, Mapping):
            allowed = 'an object such as {"amount": "2500.00", "currency": "USD"}'
            raise InputError([Fault("asked", value, "is not a price", allowed, "correct it or leave it out")])
        faults = [_stranger(name, given) for name, given in value.items() if name not in _ASKED_MEMBERS]
        currency = _inner("currency", CurrencyField(), value.get("currency"), faults)
        channel = value.get("channel")
        if channel is not None:
            channel = _inner("channel", ChannelField(), channel, faults)
        amount = read_number(value.get("amount"))
        if amount is None or not 0 < amount <= _MOST_ASKED:
            allowed = 'an amount above 0, such as "2500.00"'
            given = value.get("amount")
            faults.append(Fault("asked.amount", given, "is not a price", allowed, amount_step(given)))
        elif not faults:
            faults += too_fine("asked.amount", amount, currency)
        if faults or amount is None:
            raise InputError(faults)
        return PriceAsked(amount, currency, channel)


def _inner(name: str, field: OwnField, value: Any, faults: list[Fault]) -> Any:
    """Read a member of the asked price by a field's rule; its faults are named with the path."""
    found: list[Fault] = []
    try:
        read = field.read(value, found)
    except InputError as error:
        found, read = [*found, *error.faults], None
    step = "correct it"
    faults += [Fault(f"asked.{name}", f.value, f.problem, f.allowed, f.step or step, f.near) for f in found]
    return read


def _stranger(name: str, value: Any) -> Fault:
    near = partial(nearest, name, _ASKED_MEMBERS, 1, ALIKE)
    allowed = ", ".join(_ASKED_MEMBERS)
    return Fault(f"asked.{name}", value, "is not a member of an asked price", allowed, "leave it out", near)


class TermsNameField(OwnField):
    """The name of kept terms."""

    def read(self, value: Any, faults: list[Fault]) -> str:
        """Return the name; that it is kept, is seen later."""
        faults += text_faults("terms_name", value, LONGEST_TERMS_NAME, "see GET /v1/offer-terms")
        return str(value)


class OfferRequest(NamedTuple):
    """A request for an offer: the terms themselves, or the name of kept ones."""

    subject: Subject
    currency: str
    terms: OfferTerms | None
    terms_name: str | None
    asked: PriceAsked | None
    costs: Costs


_OF_TERMS = "the currency of every amount (ISO 4217), those of the terms included"


class OfferRequestSchema(Schema):
    """A request for an offer: an instrument, the terms or the name of kept ones, and what is asked for it."""

    instrument = InstrumentField(
        required=True, metadata={"description": "the instrument; only what is known"}
    )
    date = DayField(
        allow_none=True,
        metadata={"type": "string", **DAY, "description": "the day of the purchase; default: today"},
    )
    channel = ChannelField(
        allow_none=True,
        metadata={
            "type": "string",
            "enum": [*CHANNEL_NAMES, None],
            "description": f"the market of the resale; default: {DEFAULT_CHANNEL}",
        },
    )
    currency = CurrencyField(required=True, metadata={"type": "string", **CURRENCY, "description": _OF_TERMS})
    terms = TermsField(
        allow_none=True,
        metadata={"description": "the terms; send these or `terms_name`, and not both"},
    )
    terms_name = TermsNameField(
        allow_none=True,
        metadata={
            **text_schema(LONGEST_TERMS_NAME),
            "description": "the name of kept terms; amounts in another currency are converted",
        },
    )
    asked = AskedField(
        allow_none=True,
        metadata={"description": "the price that is asked for it, to be set against the offer"},
    )
    costs = CostsField(
        allow_none=True,
        metadata={
            **CostsSchema().fields["costs"].metadata,
            "description": "parts to put right before the resale, each with its cost in the currency of the "
            "request, which joins the work; the instrument is resold with them put right",
        },
    )

    @validates_schema(skip_on_field_errors=False)
    def _one_of_both(self, data: Mapping[str, Any], **kwargs: Any) -> None:
        given = [name for name in ("terms", "terms_name") if data.get(name) is not None]
        if len(given) == 2:
            step = "leave one of the two out"
            fault = Fault("terms_name", data["terms_name"], "stands beside terms", "one of the two", step)
            raise ValidationError({"terms_name": list(with_pointers([fault]))})

    @post_load
    def _request(self, data: dict[str, Any], **kwargs: Any) -> OfferRequest:
        if data.get("terms") is None and data.get("terms_name") is None:
            step = "send terms, or the terms_name of kept ones"
            fault = Fault("terms", None, "is needed where terms_name is not sent", "terms", step)
            raise ValidationError({"terms": list(with_pointers([fault]))})
        it, notes = data["instrument"]
        subject = Subject(it, data.get("date") or today(), data.get("channel") or DEFAULT_CHANNEL, notes)
        return OfferRequest(
            subject,
            data["currency"],
            data.get("terms"),
            data.get("terms_name"),
            data.get("asked"),
            data.get("costs") or Costs({}, {}),
        )


class KeptTermsRequestSchema(Schema):
    """Terms to keep under a name."""

    currency = CurrencyField(required=True, metadata={"type": "string", **CURRENCY, "description": _OF_TERMS})
    terms = TermsField(**described("the terms"))
