"""Schemas of answers about requests: in a list, whole, notes, events, a value, and all that is kept."""

from __future__ import annotations

from typing import Any

import orjson
from marshmallow import Schema, fields

from service.api.parts.schemas import NamedFieldSchema, QuestionSchema
from service.api.requests.bodies.schemas import PURPOSES
from service.api.requests.states import STATES
from service.api.values.schemas import AttributionsSchema, IntervalSchema, ValuationSchema
from service.api.vocabulary.instrument import InstrumentSchema
from service.dumping import Made, StoredJson, described, dumper, objects
from service.http.schemas import Moment, money

_STATE: dict[str, Any] = {"enum": [*STATES], "x-terms": STATES}
_OPEN: dict[str, Any] = {"type": "object", "additionalProperties": True}


def _paths(text: str) -> Made:
    return Made(orjson.loads, **described(text, type="array", items={"type": "string"}))


def _rows(text: str) -> fields.List[dict[str, Any]]:
    return fields.List(fields.Raw(metadata=_OPEN), **described(text))


class ContactSchema(Schema):
    """The owner."""

    name = fields.String(**described("the owner's name"))
    email = fields.String(**described("the owner's e-mail address"))
    phone = fields.String(**described("the owner's telephone number", optional=True))


class AmountSchema(Schema):
    """An amount of money."""

    amount = fields.String(**described("the amount"))
    currency = fields.String(**described("its currency"))


class AdjustmentSchema(Schema):
    """The specialist's own adjustment of the value, which is no part of the model's."""

    amount = money("the amount that it adds; null: it is a share", optional=True)
    currency = fields.String(**described("the amount's currency", optional=True))
    per_cent = money("the share of the value that it adds, in per cent; null: it is an amount", optional=True)
    reason = fields.String(**described("why; null: the owner was erased since", optional=True))


class ConsentSchema(Schema):
    """The owner's consent."""

    text = fields.String(attribute="consent", **described("the id of the text that was agreed to"))
    given = Moment(attribute="consented", **described("when, in UTC"))


class ShownValueSchema(Schema):
    """The value that the owner was shown."""

    id = fields.String(**described("the id of the valuation"))
    date = fields.String(**described("the day of the value", format="date"))
    channel = fields.String(**described("its market"))
    currency = fields.String(**described("its currency"))
    value = money("the value")
    intervals = objects(IntervalSchema, "its ranges")


class MessageSchema(Schema):
    """Words between the specialist and the owner."""

    at = Moment(**described("when, in UTC"))
    sender = fields.String(**described("who wrote it", enum=["specialist", "owner"]))
    text = fields.String(**described("the words"))


class RequestEntrySchema(Schema):
    """A request for an appraisal, as a list shows it."""

    id = fields.String(**described("its id"))
    state = fields.String(**described("its state", **_STATE))
    version = fields.Integer(**described("how often it was changed, and one"))
    created = Moment(**described("when it came in, in UTC"))
    changed = Moment(**described("when it was changed last, in UTC"))
    purpose = fields.String(**described("what the value is for", enum=[*PURPOSES]))
    instrument = StoredJson(InstrumentSchema, **described("the instrument, as the owner describes it"))
    asked = StoredJson(AmountSchema, **described("the price that is asked for it", optional=True))
    language = fields.String(**described("the language to answer the owner in"))
    contact = fields.Nested(ContactSchema, **described("the owner; null: erased", optional=True))
    reference = fields.String(**described("the site's own name for it", optional=True))
    valuation_id = fields.String(**described("the valuation that the owner was shown", optional=True))


class RequestSchema(RequestEntrySchema):
    """A request for an appraisal. An owner sees `graded` and `adjustment` only once a report is issued."""

    message = fields.String(**described("what else the owner said", optional=True))
    consent = fields.Nested(ConsentSchema, attribute="row", **described("the owner's consent"))
    valuation = fields.Nested(
        ShownValueSchema, **described("the value that the owner was shown, if any", optional=True)
    )
    graded = StoredJson(
        InstrumentSchema, **described("the instrument as the specialist sees it", optional=True)
    )
    adjustment = StoredJson(AdjustmentSchema, **described("the specialist's adjustment", optional=True))
    in_hand = _paths("fields to be inspected in hand")
    questions = _paths("fields that the owner is asked for")
    messages = objects(MessageSchema, "words between the specialist and the owner, oldest first")


class RequestsSchema(Schema):
    """Requests for appraisals."""

    requests = objects(RequestEntrySchema, "a page of them, in the order in which they came in")


class MadeRequestSchema(Schema):
    """A request that was just made."""

    id = fields.String(**described("its id"))
    state = fields.String(**described("its state", **_STATE))
    follow = fields.String(
        **described("the path of the owner's private link; its last part is the bearer token of the owner")
    )
    valuation = fields.Nested(
        ValuationSchema,
        metadata={
            "description": "the value, which is now kept; left out with value=false, or if none can be made"
        },
    )


class AnsweredSchema(Schema):
    """A request after its owner answered."""

    id = fields.String(**described("its id"))
    state = fields.String(**described("its state", **_STATE))
    instrument = fields.Nested(InstrumentSchema, **described("the instrument, as the owner now describes it"))
    valuation = fields.Nested(
        ValuationSchema,
        metadata={"description": "the value with these answers; only where the owner was shown one before"},
    )


class AskedFieldSchema(NamedFieldSchema):
    """A field that the specialist asks for."""

    how = fields.String(**described("how to find it out"))


class QuestionsSchema(Schema):
    """The questions to the owner of a request."""

    asked = objects(AskedFieldSchema, "fields that the specialist asks for")
    questions = objects(
        QuestionSchema,
        "the unknown fields whose answers narrow the range most, the most telling first; their outcomes, "
        "which name values, only if the owner was shown a value",
    )


class NoteSchema(Schema):
    """A note, which only those who work on the request see."""

    id = fields.Integer(**described("its number"))
    at = Moment(**described("when it was written, in UTC"))
    key_id = fields.String(**described("the key by which it was written"))
    text = fields.String(**described("the note"))


class NotesSchema(Schema):
    """The notes on a request."""

    notes = objects(NoteSchema, "the notes, oldest first")


class EventSchema(Schema):
    """Something that happened to a request."""

    at = Moment(**described("when, in UTC"))
    actor = fields.String(
        **described("the id of the key that did it, or owner; an owner sees no ids, but specialist")
    )
    action = fields.String(**described("what happened"))
    detail = Made(orjson.loads, **described("more of it, without a word about the person", **_OPEN))


class EventsSchema(Schema):
    """The history of a request."""

    events = objects(EventSchema, "what happened, oldest first")


class ConcludedSchema(Schema):
    """The value after the specialist's adjustment."""

    currency = fields.String(**described("the currency of every amount"))
    difference = money("what the adjustment adds; 0 without one")
    value = money("the value after it: the model's value and the difference")
    intervals = objects(IntervalSchema, "the model's ranges, adjusted in the same way")


class GradedValueSchema(Schema):
    """The value of a request's instrument now."""

    graded = fields.Boolean(
        **described("whether it is of the graded instrument; if not, of the owner's description")
    )
    instrument = fields.Nested(InstrumentSchema, **described("what was valued"))
    valuation = fields.Nested(
        AttributionsSchema, **described("the model's value, its ranges and its reasons")
    )
    adjustment = StoredJson(AdjustmentSchema, **described("the specialist's adjustment", optional=True))
    concluded = fields.Nested(ConcludedSchema, **described("the value after the adjustment"))


class KeptContactSchema(ContactSchema):
    """All that is kept about the owner alone."""

    message = fields.String(**described("what else the owner said", optional=True))
    reference = fields.String(**described("the site's own name for the request", optional=True))
    follow = fields.String(**described("the path of the owner's private link"))


class ErasedSchema(Schema):
    """A request whose owner was erased."""

    id = fields.String(**described("its id"))
    erased = Moment(**described("when the owner was erased, in UTC"))


class ExportSchema(Schema):
    """All that is kept about a request and its owner."""

    exported = Moment(**described("when this was written, in UTC"))
    request = fields.Nested(RequestSchema, **described("the request"))
    contact = fields.Nested(KeptContactSchema, **described("the owner; null: erased", optional=True))
    notes = objects(NoteSchema, "the specialist's notes; an owner gets none here, and can ask for them")
    events = objects(EventSchema, "what happened, oldest first")
    valuation = fields.Nested(
        ValuationSchema, **described("the valuation that the owner was shown", optional=True)
    )
    photographs = _rows("what is kept of each photograph")
    reports = _rows("what is kept of each report")
    left_out = fields.List(fields.String(), **described("what an owner's own copy does not have"))


dump_entry, dump_request = dumper(RequestEntrySchema), dumper(RequestSchema)
dump_note, dump_event, dump_contact = dumper(NoteSchema), dumper(EventSchema), dumper(KeptContactSchema)
dump_concluded, dump_question = dumper(ConcludedSchema), dumper(QuestionSchema)
