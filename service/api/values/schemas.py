"""Schemas of the request for a valuation and of its answers."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from marshmallow import Schema, ValidationError, fields, post_load

from models.cells import read_day, read_term
from models.errors import Fault, InputError
from models.instrument import Subject
from models.levels import check_levels
from models.money import BASE_CURRENCY
from models.names import nearest
from models.stocklist import LAST_DAY
from models.vocabulary import CHANNEL_NAMES, DEFAULT_CHANNEL, DEFAULT_LEVELS
from service.api.values.services import ValuationRequest, today
from service.api.vocabulary.instrument import InstrumentField, InstrumentSchema
from service.context import bundle
from service.faults import placed
from service.http.schemas import CURRENCY, DAY, LEVELS, described, money, provisional_member, rate_members


class OwnField(fields.Field[Any]):
    """A field read by a rule of the models; its faults come out with their place."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> Any:
        faults: list[Fault] = []
        try:
            found = self.read(value, faults)
        except InputError as error:
            faults.extend(error.faults)
        if faults:
            raise ValidationError(list(placed(faults)))
        return found

    def read(self, value: Any, faults: list[Fault]) -> Any:
        """Read the value; add what is wrong with it to `faults`, or raise InputError."""
        raise NotImplementedError


def _text(name: str, value: Any, allowed: str) -> str:
    if not isinstance(value, str):
        raise InputError([Fault(name, value, "is not text", allowed, "correct it or leave it out")])
    return value.strip()


class DayField(OwnField):
    """A day as YYYY-MM-DD."""

    def read(self, value: Any, faults: list[Fault]) -> date | None:
        return read_day(_text("date", value, "a day as YYYY-MM-DD"), faults, latest=LAST_DAY)


class ChannelField(OwnField):
    """One of the channels."""

    def read(self, value: Any, faults: list[Fault]) -> str:
        text = _text("channel", value, ", ".join(CHANNEL_NAMES))
        return read_term("channel", text, CHANNEL_NAMES, faults)


class CurrencyField(OwnField):
    """A currency that the bundle has rates for."""

    def read(self, value: Any, faults: list[Fault]) -> str:
        known = bundle().valuer.rates.currencies
        code = _text("currency", value, ", ".join(known)).upper()
        if code not in known:
            close = nearest(code, known)
            hint = "choose one of those allowed"
            faults.append(
                Fault("currency", value, "has no exchange rate here", ", ".join(known), hint, close)
            )
        return code


class LevelsField(OwnField):
    """The levels of the ranges."""

    def read(self, value: Any, faults: list[Fault]) -> tuple[float, ...]:
        if not isinstance(value, list):
            wrong = Fault("levels", value, "is not a list", "a list of numbers such as [0.8, 0.95]")
            raise InputError([wrong])
        return check_levels(value)


class ValuationRequestSchema(Schema):
    """A request for a value: the instrument, and optionally the day, market, currency and levels."""

    instrument = InstrumentField(
        required=True, metadata={"description": "the instrument; only what is known"}
    )
    date = DayField(
        allow_none=True,
        metadata={"type": "string", **DAY, "description": "the day of the value; default: today"},
    )
    channel = ChannelField(
        allow_none=True,
        metadata={
            "type": "string",
            "enum": [*CHANNEL_NAMES, None],
            "description": f"the market of the value; default: {DEFAULT_CHANNEL}",
        },
    )
    currency = CurrencyField(
        allow_none=True,
        metadata={
            "type": "string",
            **CURRENCY,
            "description": f"the currency (ISO 4217) of every amount; default: {BASE_CURRENCY}",
        },
    )
    levels = LevelsField(
        allow_none=True,
        metadata={
            "type": "array",
            **LEVELS,
            "description": "levels of the ranges, 0.8 for 80%; default: "
            + ", ".join(f"{level:g}" for level in DEFAULT_LEVELS),
        },
    )

    @post_load
    def _request(self, data: dict[str, Any], **kwargs: Any) -> ValuationRequest:
        it, notes = data["instrument"]
        subject = Subject(it, data.get("date") or today(), data.get("channel") or DEFAULT_CHANNEL, notes)
        return ValuationRequest(
            subject, data.get("currency") or BASE_CURRENCY, data.get("levels") or DEFAULT_LEVELS
        )


class IntervalSchema(Schema):
    """A central range."""

    level = fields.Float(**described("the share of cases in which the price should lie inside: 0.8 is 80%"))
    low = money("the lower end")
    high = money("the upper end")


class EvidenceSchema(Schema):
    """The amount of evidence that stands behind the value."""

    word = fields.String(**described("one word: see the vocabulary"))
    meaning = fields.String(**described("what the word means"))
    direct_sales = fields.Integer(**described("closed sales of the same model, edition and build"))
    effective_sales = fields.Float(
        **described("how many sales would fix the value as well as all evidence does")
    )
    last = fields.String(**described("day of the newest evidence", optional=True))


class CautionSchema(Schema):
    """Something to know before relying on the value."""

    code = fields.String(**described("which caution: see the vocabulary"))
    text = fields.String(**described("what to know"))
    field = fields.String(**described("the field it is about, if it is about one", optional=True))
    as_of = fields.Date(**described("the day as of which law and practice are summarised"))


def _basis(of: str) -> fields.Float:
    text = f"how much of {of} rests on common practice: from 0, evidence alone, to 1, practice alone"
    return fields.Float(**described(text, minimum=0, maximum=1))


class FactorSchema(Schema):
    """The effect of one field on the price."""

    field = fields.String(**described("the field by path, or day or channel"))
    label = fields.String(**described("what to call it"))
    observed = fields.Raw(**described("what it is here; null: not known", optional=True))
    reference = fields.Raw(**described("what it is on the typical instrument", optional=True))
    effect = fields.Float(**described("the effect on the logarithm of the price"))
    amount = money("the effect in money")
    basis = _basis("the effect")


class FamilySchema(Schema):
    """The effect of one family of fields on the price."""

    family = fields.String(**described("the family"))
    effect = fields.Float(**described("the sum of its factors' effects"))
    amount = money("the sum of its factors' amounts; those of all families sum to value − reference")
    basis = _basis("its factors' effects, weighted by their sizes,")
    factors = fields.List(
        fields.Nested(FactorSchema), **described("fields that differ from the typical instrument")
    )


class ReferenceSchema(Schema):
    """The typical instrument that the price is explained from, and its price."""

    instrument = fields.Nested(InstrumentSchema, **described("the typical instrument"))
    value = money("its price on the same day in the same market")


class AssumptionSchema(Schema):
    """A field that was not given and for which one value was taken."""

    field = fields.String(**described("the field by path"))
    value = fields.String(**described("what it was taken to be, as text"))
    reason = fields.String(**described("why, and whether it was counted below that value"))


class ClaimSchema(Schema):
    """A detail that a tenth of the value or more rests on and that documents can prove."""

    field = fields.String(
        **described("the field by path: edition, edition_number, build, figure or provenance.history")
    )
    label = fields.String(**described("what to call it"))
    amount = money("what it adds to the value: the amount of its factor")
    share = fields.Float(**described("that amount as a share of the value: 0.25 is a quarter"))
    proof = fields.String(**described("what would prove it"))


class IntervalsSchema(Schema):
    """The value and its ranges."""

    date = fields.Date(**described("the day of the value"))
    channel = fields.String(**described("the market of the value"))
    currency = fields.String(**described("the currency of every amount"))
    rate_day, rate_source = rate_members().values()
    value = money(
        "the middle estimate of what a buyer pays, before tax and shipping: half of such sales should be "
        "higher"
    )
    intervals = fields.List(fields.Nested(IntervalSchema), **described("ranges, in the order asked"))
    evidence = fields.Nested(EvidenceSchema, **described("how much evidence stands behind it"))
    cautions = fields.List(fields.Nested(CautionSchema), **described("what to know before relying on it"))
    model_version = fields.String(**described("the price model that gave these figures"))
    provisional = provisional_member()


class AttributionsSchema(IntervalsSchema):
    """The value, its ranges and its reasons."""

    reference = fields.Nested(ReferenceSchema, **described("what the price is explained from"))
    attributions = fields.List(fields.Nested(FamilySchema), **described("reasons by family, then by field"))
    basis = _basis("all effects together, weighted by their sizes,")
    assumed = fields.List(
        fields.Nested(AssumptionSchema),
        **described(
            "fields that were not given and for which one value was taken: edition and build; history and "
            "paperwork, as none; finish, year, weight, figure and number, as the typical instrument has "
            "them. Condition, originality and case are never among them: a blank counts the usual loss of "
            "those left blank"
        ),
    )
    unknown_ = fields.List(
        fields.String(),
        **described(
            "fields that are not known and could be, by path; a finish that the catalogue does not have for "
            "the model is among them, edition and build are in `assumed` alone"
        ),
        data_key="unknown",
    )
    claims = fields.List(
        fields.Nested(ClaimSchema),
        **described(
            "details that much of the value rests on and that documents can prove, the largest first"
        ),
    )


class ValuationSchema(AttributionsSchema):
    """A valuation that is kept."""

    id = fields.String(**described("its id: GET /v1/valuations/{id} gives the same answer again"))
    created = fields.DateTime(**described("when it was made, in UTC"))
    instrument = fields.Nested(
        InstrumentSchema, **described("what was valued, spelled as the catalogue has it")
    )
