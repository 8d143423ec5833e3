"""Schemas by which answers with a value are dumped: the value, its ranges and its reasons."""

from __future__ import annotations

from datetime import datetime
from typing import Any, NamedTuple

from marshmallow import Schema, fields

from models.domain.instrument import Instrument
from models.price.interface import EVIDENCE_WORDS
from models.valuation.valuer import Valuation
from service.api.vocabulary.instrument import InstrumentAnswer
from service.dumping import TextOfWhole, Whole, described, dumper, objects
from service.http.schemas import Moment, money, provisional_member, rate_members

VALUE = (
    "the middle estimate of what a buyer pays, before tax and shipping: about half of such sales should be "
    "higher, and more than half where many fields are blank, since a blank never adds to a value"
)


class IntervalSchema(Schema):
    """A central range."""

    level = fields.Float(**described("the share of cases in which the price should lie inside: 0.8 is 80%"))
    low = money("the lower end")
    high = money("the upper end")


class EvidenceSchema(Schema):
    """The amount of evidence that stands behind the value."""

    word = fields.String(attribute="evidence.word", **described("one word: see the vocabulary"))
    meaning = TextOfWhole(
        lambda found: EVIDENCE_WORDS[found.evidence.word], **described("what the word means")
    )
    direct_sales = fields.Integer(
        attribute="evidence.direct_sales", **described("closed sales of the same model, edition and build")
    )
    effective_sales = fields.Float(
        attribute="evidence.effective_sales",
        **described("how many sales would fix the value as well as all evidence does"),
    )
    last = fields.String(attribute="last_evidence", **described("day of the newest evidence", optional=True))


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

    family = fields.String(**described("the name of the family"))
    effect = fields.Float(**described("the sum of its factors' effects"))
    amount = money("the sum of its factors' amounts; those of all families sum to value − reference")
    basis = _basis("its factors' effects, weighted by their sizes,")
    factors = objects(FactorSchema, "fields that differ from the typical instrument")


class ReferenceSchema(Schema):
    """The typical instrument that the price is explained from, and its price."""

    instrument = InstrumentAnswer(attribute="reference", **described("the typical instrument"))
    value = money("its price on the same day in the same market", attribute="reference_value")


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

    date = fields.Date(attribute="day", **described("the day of the value"))
    channel = fields.String(**described("the market of the value"))
    currency = fields.String(**described("the currency of every amount"))
    rate_day, rate_source = rate_members().values()
    value = money(VALUE)
    intervals = objects(IntervalSchema, "ranges, in the order asked")
    evidence = Whole(EvidenceSchema, **described("how much evidence stands behind it"))
    cautions = objects(CautionSchema, "what to know before relying on it")
    model_version = fields.String(**described("the price model that gave these figures"))
    provisional = provisional_member()


class AttributionsSchema(IntervalsSchema):
    """The value, its ranges and its reasons."""

    reference = Whole(ReferenceSchema, **described("what the price is explained from"))
    attributions = objects(FamilySchema, "reasons by family, then by field", attribute="families")
    basis = _basis("all effects together, weighted by their sizes,")
    assumed = objects(
        AssumptionSchema,
        "fields that were not given and for which one value was taken: edition and build; history and "
        "paperwork, as none; finish, year, weight, figure and number, as the typical instrument has "
        "them. Condition, originality and case are never among them: a blank there counts "
        "as the usual loss",
    )
    unknown_ = fields.List(
        fields.String(),
        **described(
            "fields that are not known and could be, by path; a finish that the catalogue does not have for "
            "the model is among them; edition and build are in `assumed` alone"
        ),
        data_key="unknown",
        attribute="unknown",
    )
    claims = objects(
        ClaimSchema, "details that much of the value rests on and that documents can prove, the largest first"
    )


class ValuationHeadSchema(Schema):
    """The members by which a kept valuation begins."""

    id = fields.String(**described("its id: GET /v1/valuations/{id} gives the same answer again"))
    created = Moment(**described("when it was made, in UTC"))
    instrument = InstrumentAnswer(**described("what was valued, spelled as the catalogue has it"))


class ValuationSchema(AttributionsSchema, ValuationHeadSchema):
    """A valuation that is kept."""


class ValuationHead(NamedTuple):
    """A valuation that is kept, without its figures."""

    id: str
    created: datetime
    instrument: Instrument


_dump_head = dumper(ValuationHeadSchema)
dump_intervals = dumper(IntervalsSchema)
dump_attributions = dumper(AttributionsSchema)


def dump_valuation(found: Valuation, record_id: str, created: datetime) -> dict[str, Any]:
    """Dump all that is known of a valuation that is kept."""
    return {**_dump_head(ValuationHead(record_id, created, found.instrument)), **dump_attributions(found)}
