"""Schemas of a valuation's parts. A whole valuation and the answer of the part alone share each of them."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from service.schemas import money, provisional_member, rate_members, said
from service.valuations.schemas import CautionSchema, IntervalSchema, ValuationSchema
from service.vocabulary.schemas import InstrumentSchema


class PaidSchema(Schema):
    """A price as it was recorded."""

    price = money("the amount")
    currency = fields.String(**said("its currency (ISO 4217)"))


class RecordedSchema(Schema):
    """One record of the evidence."""

    id = fields.String(**said("its id in the evidence"))
    kind = fields.String(**said("sale, asking or offer"))
    date = fields.Date(**said("the day of the record"))
    channel = fields.String(**said("the market it was in"))
    paid = fields.Nested(PaidSchema, **said("the price as recorded"))


class LineSchema(Schema):
    """One adjustment from the instrument sold to this one."""

    field = fields.String(**said("the field by path, or day or channel"))
    share = fields.Float(**said("the adjustment as a share of the price it applies to"))
    amount = money("the adjustment in money")
    text = fields.String(**said("the adjustment as a sentence"))


class ComparableSchema(RecordedSchema):
    """One record of the evidence, brought to this instrument, this day and this market."""

    instrument = fields.Nested(InstrumentSchema, **said("the instrument of the record, without its serial"))
    same_edition_and_build = fields.Boolean(**said("whether edition and build are those of this instrument"))
    same_instrument = fields.Boolean(**said("whether it is this very instrument, by its serial"))
    standard_error = fields.Float(
        **said("standard error, in log, of its adjusted price as a value of this instrument")
    )
    share = fields.Float(**said("its share of the reconciled figure; 0 for asking prices and offers"))
    price = money("the price in the valuation's currency, where the grid starts")
    market = fields.List(fields.Nested(LineSchema), **said("from its day and market to these, compounded"))
    today = money("the price after those")
    lines = fields.List(fields.Nested(LineSchema), **said("from its instrument to this one; each of today"))
    adjusted = money("today and all lines: what the record says that this instrument would bring")
    net = fields.Float(**said("(adjusted − price) / price"))
    gross = fields.Float(**said("the sizes of all amounts together / price"))
    flags = fields.List(
        fields.String(),
        **said("large_net_adjustment and large_gross_adjustment where they apply: look twice, not a refusal"),
    )


class ComparablesSchema(Schema):
    """The sales that stand closest, and what they say together."""

    sales = fields.List(fields.Nested(ComparableSchema), **said("closed sales, the closest first"))
    beside = fields.List(
        fields.Nested(ComparableSchema), **said("asking prices and offers: shown beside, never mixed in")
    )
    reconciled = fields.String(
        **said("the sales' adjusted prices weighted by 1 / gross; null: there are none", optional=True)
    )
    difference = fields.Float(**said("reconciled / value − 1", optional=True))
    set_aside = fields.List(fields.String(), **said("ids of sales too far off to be anything but a slip"))
    note = fields.String(**said("why there are none, or fewer than usual", optional=True))
    caution = fields.Nested(
        CautionSchema, **said("where sales and model disagree by more than the 50% range", optional=True)
    )


class NamedFieldSchema(Schema):
    """A field of an instrument."""

    field = fields.String(**said("the field by path"))
    label = fields.String(**said("what to call it"))


class OutcomeSchema(Schema):
    """One likely answer and what it would make of the value."""

    answer = fields.Raw(**said("the answer, as the field has it"))
    chance = fields.Float(**said("how likely it is for such an instrument"))
    value = money("the value it would give")


class QuestionSchema(NamedFieldSchema):
    """One field that is not known and is worth asking for."""

    how = fields.String(**said("what shows it best"))
    narrowing = fields.Float(**said("share of the 80% range's width that an answer is expected to take away"))
    after = fields.Float(**said("the same once this and all questions before it are answered"))
    outcomes = fields.List(fields.Nested(OutcomeSchema), **said("two or three likely answers"))


class ChangeSchema(NamedFieldSchema):
    """One field that two records of the instrument say differently."""

    before = fields.Raw(**said("what the earlier record says"))
    after = fields.Raw(**said("what the next one says, or this valuation after the last"))
    kind = fields.String(**said("loss, gain, or contradiction: of what cannot change"))


class EntrySchema(RecordedSchema):
    """One earlier record of this very instrument."""

    implied = money("what that price implies for the instrument as it is valued here")
    changes = fields.List(fields.Nested(ChangeSchema), **said("from this record to the next"))


class RecordSchema(Schema):
    """The earlier records of this very instrument in the evidence, with cautions about them."""

    entries = fields.List(
        fields.Nested(EntrySchema), **said("oldest first; empty without a serial or without records of it")
    )
    cautions = fields.List(fields.Nested(CautionSchema), **said("what to be careful about"))


class SentenceSchema(Schema):
    """One reason in words."""

    field = fields.String(
        **said("the field by path, or day or channel; null: about several fields", optional=True)
    )
    text = fields.String(
        **said(
            "what it is, what is typical, what that does to the price, and whether most of that rests on "
            "common practice; or all fields that were not given, with the sum of what they do"
        )
    )


class NewValueSchema(Schema):
    """One field as it is changed."""

    field = fields.String(**said("the field by path"))
    value = fields.Raw(**said("what it is changed to; null: not known", optional=True))


class AlternativeSchema(Schema):
    """The same instrument with some fields changed."""

    changes = fields.List(fields.Nested(NewValueSchema), **said("what is changed"))
    value = money("its value")
    intervals = fields.List(fields.Nested(IntervalSchema), **said("the ranges of its value"))
    effect = fields.Float(**said("the change in the logarithm of the value"))
    difference = money("its value less that of the instrument as it is")
    difference_intervals = fields.List(
        fields.Nested(IntervalSchema),
        **said("ranges of the difference: uncertainty common to both is left out"),
    )


class RemedySchema(NamedFieldSchema):
    """One thing that can be put right."""

    now = fields.String(**said("what it is"))
    then = fields.String(**said("what it would be"))
    gain = money("what that adds to the value")
    gain_intervals = fields.List(fields.Nested(IntervalSchema), **said("ranges of the gain"))
    cost = fields.String(**said("what it costs, where that was said", optional=True))
    net = fields.String(**said("gain less cost", optional=True))
    worth_it = fields.Boolean(
        **said("whether all of the gain's first range lies above the cost; null: no cost said", optional=True)
    )


class LastingSchema(NamedFieldSchema):
    """One thing that cannot be put right."""

    now = fields.Raw(**said("what it is"))
    reason = fields.String(**said("why it stays so"))


class RestorationSchema(Schema):
    """The faults of the instrument that can be put right, and those that cannot."""

    remedies = fields.List(fields.Nested(RemedySchema), **said("what can be, the largest gain first"))
    lasting = fields.List(fields.Nested(LastingSchema), **said("what cannot be restored"))
    together = fields.Nested(
        AlternativeSchema, **said("all that is worth its cost done at once; null: nothing is", optional=True)
    )


def _part_fields(*, required: bool) -> dict[str, fields.Field[Any]]:
    """A member for each of `parts.PARTS`; a test holds the two to each other."""
    members: dict[str, fields.Field[Any]] = {
        "comparables": fields.Nested(
            ComparablesSchema, **said("the sales that stand closest, each adjusted to this instrument")
        ),
        "questions": fields.List(
            fields.Nested(QuestionSchema), **said("what to ask next: the most telling unknown field first")
        ),
        "record": fields.Nested(RecordSchema, **said("what the evidence holds of this very instrument")),
        "sentences": fields.List(fields.Nested(SentenceSchema), **said("each reason as a sentence")),
        "restoration": fields.Nested(RestorationSchema, **said("what can be put right and what cannot")),
    }
    for member in members.values():
        member.required = required
    return members


PART_NAMES = tuple(_part_fields(required=True))
_Included = Schema.from_dict(_part_fields(required=False), name="Included")


class FullValuationSchema(ValuationSchema, _Included):  # type: ignore[misc, valid-type]
    """A valuation that is kept, with the parts that were asked for in `include`."""


class PartSchema(Schema):
    """The members that begin every answer about a kept valuation."""

    id = fields.String(**said("the valuation's id"))
    model_version = fields.String(**said("the model that made the valuation and this"))
    provisional = provisional_member()
    currency = fields.String(**said("the currency of every amount that names none"))
    rate_day, rate_source = rate_members().values()


def part_schema(name: str) -> Schema:
    """The answer that has this part of a kept valuation alone."""
    member = _part_fields(required=True)[name]
    text = f"Of a kept valuation its part {name}."
    made: type[Schema] = type(f"{name.title()}PartSchema", (PartSchema,), {name: member, "__doc__": text})
    return made()


class AlternativesSchema(PartSchema):
    """The values of the same instrument in other states, beside its value as it is."""

    value = money("the value of the instrument as it is")
    alternatives = fields.List(fields.Nested(AlternativeSchema), **said("one for each that was asked"))
