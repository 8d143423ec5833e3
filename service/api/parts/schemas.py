"""Schemas of a valuation's parts, for answers with the whole valuation or with one part alone."""

from __future__ import annotations

from marshmallow import Schema, fields

from models.domain.vocabulary import BY_PATH
from service.api.values.schemas import CautionSchema, IntervalSchema
from service.api.vocabulary.instrument import InstrumentAnswer
from service.dumping import Pairs, TextOfWhole, Whole, described, objects
from service.http.schemas import money, provisional_member, rate_members

_EVIDENCE_OF = TextOfWhole(
    lambda _: "price_model",
    **described(
        "whose evidence the records are: price_model, those that the price model was fitted on. They travel "
        "with it, and this service need not keep them",
        enum=["price_model"],
    ),
)


class PaidSchema(Schema):
    """A price as it was recorded."""

    price = money("the amount")
    currency = fields.String(**described("its currency (ISO 4217)"))


class RecordedSchema(Schema):
    """One record of the evidence."""

    id = fields.String(
        **described(
            "its id in the evidence that the price model was fitted on; GET /v1/evidence/{id} has it only if "
            "this service keeps that record too"
        )
    )
    kind = fields.String(**described("sale, asking or offer"))
    date = fields.Date(attribute="day", **described("the day of the record"))
    channel = fields.String(**described("the market it was in"))
    paid = Whole(PaidSchema, **described("the price as recorded"))


class LineSchema(Schema):
    """One adjustment from the instrument sold to this one."""

    field = fields.String(**described("the field by path, or day or channel"))
    share = fields.Float(**described("the adjustment as a share of the price it applies to"))
    amount = money("the adjustment in money")
    text = fields.String(**described("the adjustment as a sentence"))


class ComparableSchema(RecordedSchema):
    """One record of the evidence, brought to this instrument, this day and this market."""

    instrument = InstrumentAnswer(**described("the instrument of the record, without its serial"))
    same_edition_and_build = fields.Boolean(
        **described("whether edition and build are those of this instrument")
    )
    same_instrument = fields.Boolean(**described("whether it is this very instrument, by its serial"))
    standard_error = fields.Float(
        **described("standard error, in log, of its adjusted price as a value of this instrument")
    )
    share = fields.Float(**described("its share of the reconciled figure; 0 for asking prices and offers"))
    price = money("the recorded price in the valuation's currency", attribute="grid.price")
    market = objects(
        LineSchema,
        "adjustments for day and market, each to the amount after the one before",
        attribute="grid.market",
    )
    today = money("the price after the adjustments for day and market", attribute="grid.today")
    lines = objects(
        LineSchema,
        "adjustments from its instrument to this one, each as a share of today",
        attribute="grid.lines",
    )
    adjusted = money(
        "today plus all lines: the price that the record suggests for this instrument",
        attribute="grid.adjusted",
    )
    net = fields.Float(attribute="grid.net", **described("(adjusted − price) / price"))
    gross = fields.Float(attribute="grid.gross", **described("the sizes of all amounts together / price"))
    flags = fields.List(
        fields.String(),
        attribute="grid.flags",
        **described(
            "large_net_adjustment and large_gross_adjustment, if they apply: a reason to look closer"
        ),
    )


class ComparablesSchema(Schema):
    """The closest sales, and what they say together."""

    evidence_of = _EVIDENCE_OF
    sales = objects(ComparableSchema, "closed sales, the closest first")
    beside = objects(ComparableSchema, "asking prices and offers: shown beside, never mixed in")
    reconciled = money(
        "the sales' adjusted prices weighted by 1 / gross; null: there are none", optional=True
    )
    difference = fields.Float(**described("reconciled / value − 1", optional=True))
    set_aside = fields.List(
        fields.String(), **described("ids of sales left out: prices so far off that they look like mistakes")
    )
    note = fields.String(**described("why there are no sales, or fewer than usual", optional=True))
    caution = fields.Nested(
        CautionSchema,
        **described("a caution, if sales and price model disagree by more than the 50% range", optional=True),
    )


class NamedFieldSchema(Schema):
    """A field of an instrument."""

    field = fields.String(**described("the field by path"))
    label = fields.String(**described("what to call it"))


class OutcomeSchema(Schema):
    """One likely answer to a question, and the value that it would give."""

    answer = fields.Raw(**described("the answer, as the field has it"))
    chance = fields.Float(**described("how likely it is for such an instrument"))
    value = money("the value it would give")


class QuestionSchema(NamedFieldSchema):
    """One field that is not known and is worth asking for."""

    how = fields.String(**described("how to find it out"))
    narrowing = fields.Float(
        **described("share of the 80% range's width that an answer is expected to take away")
    )
    after = fields.Float(**described("the same once this and all questions before it are answered"))
    outcomes = objects(OutcomeSchema, "two or three likely answers")


class ChangeSchema(NamedFieldSchema):
    """One field that differs between two records of the instrument."""

    before = fields.Raw(**described("what the earlier record says"))
    after = fields.Raw(**described("what the next record says; after the last record, this valuation"))
    kind = fields.String(**described("loss, gain, or contradiction (of a field that cannot change)"))


class EntrySchema(RecordedSchema):
    """One earlier record of this very instrument."""

    implied = money("what that price implies for the instrument as it is valued here")
    changes = objects(ChangeSchema, "what changed from this record to the next")


class EarlierRecordsSchema(Schema):
    """The earlier records of this very instrument in the evidence, with cautions about them."""

    evidence_of = _EVIDENCE_OF
    entries = objects(EntrySchema, "oldest first; empty if there is no serial number, or no record with it")
    cautions = objects(CautionSchema, "what to be careful about")


class SentenceSchema(Schema):
    """One reason in words."""

    field = fields.String(
        **described("the field by path, or day or channel; null: about several fields", optional=True)
    )
    text = fields.String(
        **described(
            "what it is, what is typical, the effect on the price, and whether that rests mostly on common "
            "practice; or all fields that were not given, with the sum of their effects"
        )
    )


class NewValueSchema(Schema):
    """A changed field and its new value."""

    field = fields.String(**described("the field by path"))
    value = fields.Raw(**described("what it is changed to; null: not known", optional=True))


class AlternativeSchema(Schema):
    """The same instrument with some fields changed."""

    changes = Pairs(NewValueSchema, **described("what is changed"))
    value = money("its value")
    intervals = objects(IntervalSchema, "the ranges of its value")
    effect = fields.Float(**described("the change in the logarithm of the value"))
    difference = money("its value less that of the instrument as it is")
    difference_intervals = objects(
        IntervalSchema, "ranges of the difference: uncertainty common to both is left out"
    )


class PlainFieldSchema(Schema):
    """A field of an instrument, of which the object knows the path alone."""

    field = fields.String(**described("the field by path"))
    label = TextOfWhole(lambda found: BY_PATH[found.field].label, **described("what to call it"))


class RemedySchema(PlainFieldSchema):
    """One thing that can be repaired."""

    now = fields.String(**described("what it is"))
    then = fields.String(**described("what it would be"))
    gain = money("what that adds to the value")
    gain_intervals = objects(IntervalSchema, "ranges of the gain")
    cost = money("what it costs; null: the request does not say", optional=True)
    net = money("gain less cost; null: the request names no cost", optional=True)
    worth_it = fields.Boolean(
        **described(
            "whether all of the gain's first range lies above the cost; null: the request names no cost",
            optional=True,
        )
    )


class LastingSchema(PlainFieldSchema):
    """One thing that cannot be restored."""

    now = fields.Raw(**described("what it is"))
    reason = fields.String(**described("why it cannot be restored"))


class RestorationSchema(Schema):
    """The faults of the instrument that can be repaired, and those that cannot."""

    remedies = objects(RemedySchema, "what can be repaired, the largest gain first")
    lasting = objects(LastingSchema, "what cannot be restored")
    together = fields.Nested(
        AlternativeSchema,
        **described("all repairs that are worth their cost, done at once; null: none is", optional=True),
    )


class PartSchema(Schema):
    """The members that begin every answer about a kept valuation."""

    id = fields.String(attribute="valuation_id", **described("the valuation's id"))
    model_version = fields.String(
        attribute="case.valuer.version",
        **described("the price model that made the valuation and this answer"),
    )
    provisional = provisional_member("case.valuer.provisional")
    currency = fields.String(
        attribute="case.request.currency", **described("the currency of every amount that names none")
    )
    rate_day, rate_source = rate_members(of="rate.").values()


class AlternativesSchema(PartSchema):
    """The values of the same instrument in other states, beside its value as it is."""

    value = money("the value of the instrument as it is", attribute="case.valuation.value")
    alternatives = objects(AlternativeSchema, "one for each set of changes that was sent", attribute="found")
