"""Schemas of what is sent: a request for an appraisal, a change of it, answers, and a note."""

from __future__ import annotations

from typing import Any, NamedTuple

from marshmallow import Schema, fields, post_load

from models.costs import (
    LONGEST_EMAIL,
    LONGEST_MESSAGE,
    LONGEST_NAME,
    LONGEST_PHONE,
    LONGEST_REASON,
    LONGEST_REFERENCE,
)
from models.domain.instrument import Described
from models.domain.money import BASE_CURRENCY, Amount
from service.api.parts.changes import CHANGE
from service.api.requests.bodies.members import (
    AgreedField,
    AnswersField,
    LineField,
    ObjectField,
    PathsField,
    ProseField,
    RequestInstrumentField,
    TermField,
)
from service.api.requests.bodies.reading import (
    AMOUNT_PATTERN,
    SHARE_PATTERN,
    Contact,
    GivenAdjustment,
    read_adjustment,
    read_asked,
    read_contact,
)
from service.api.requests.states import STATES
from service.http.schemas import CURRENCY
from service.languages.consent import CURRENT, consents
from service.languages.reader import languages
from service.texts import text_schema

PURPOSES = ("sale", "purchase", "insurance", "estate", "gift", "curiosity")


class NewRequest(NamedTuple):
    """A checked request for an appraisal."""

    instrument: Described
    contact: Contact
    purpose: str
    asked: Amount | None
    message: str | None
    reference: str | None
    language: str | None
    consent_text: str

    @property
    def currency(self) -> str:
        """The currency of what the owner is shown."""
        return self.asked.currency if self.asked else BASE_CURRENCY


class NewContactSchema(Schema):
    """The owner."""

    name = fields.Raw(
        required=True, metadata={**text_schema(LONGEST_NAME), "description": "the owner's name"}
    )
    email = fields.Raw(
        required=True,
        metadata={
            "type": "string",
            "maxLength": LONGEST_EMAIL,
            "pattern": r"^ *[^@\s]+@[^@\s]+\.[^@\s]+ *$",
            "example": "name@example.org",
            "description": "an e-mail address at which the owner is answered",
        },
    )
    phone = fields.Raw(
        allow_none=True,
        metadata={"type": "string", "maxLength": LONGEST_PHONE, "description": "a telephone number"},
    )


class AskedSchema(Schema):
    """The price that is asked for the instrument."""

    amount = fields.Raw(
        required=True,
        metadata={"type": "string", "pattern": f"^{AMOUNT_PATTERN}$", "description": "the amount, above 0"},
    )
    currency = fields.Raw(
        required=True, metadata={"type": "string", **CURRENCY, "description": "its currency (ISO 4217)"}
    )


class NewRequestSchema(Schema):
    """A request for an appraisal: the instrument, the owner, the purpose, and the owner's consent."""

    instrument = RequestInstrumentField(
        required=True, metadata={"description": "the instrument; only what is known"}
    )
    contact = ObjectField(
        NewContactSchema, read_contact, required=True, metadata={"description": "the owner"}
    )
    purpose = TermField(PURPOSES, "what the value is for", required=True)
    asked = ObjectField(
        AskedSchema, read_asked, allow_none=True, metadata={"description": "the price that is asked for it"}
    )
    message = ProseField(LONGEST_MESSAGE, "what else the owner says; it can have several lines")
    reference = LineField(LONGEST_REFERENCE, "the site's own name for it, given back untouched")
    language = TermField(languages(), "the language to answer in; default: by Accept-Language, then English")
    consent = AgreedField(
        required=True,
        metadata={"type": "boolean", "enum": [True], "description": "that the owner agreed to the text"},
    )
    consent_text = TermField(consents(), f"the id of the text that was agreed to; default: {CURRENT}")

    @post_load
    def _request(self, data: dict[str, Any], **_: Any) -> NewRequest:
        found: dict[str, Any] = {name: data.get(name) for name in NewRequest._fields}
        return NewRequest(**{**found, "consent_text": found["consent_text"] or CURRENT})


class NewAdjustmentSchema(Schema):
    """The specialist's own adjustment: an amount with its currency, or per_cent; with a reason."""

    amount = fields.Raw(
        allow_none=True,
        metadata={"type": "string", "pattern": f"^-?{AMOUNT_PATTERN}$", "description": "the amount to add"},
    )
    currency = fields.Raw(
        allow_none=True, metadata={"type": "string", **CURRENCY, "description": "the amount's currency"}
    )
    per_cent = fields.Raw(
        allow_none=True,
        metadata={
            "type": "string",
            "pattern": f"^{SHARE_PATTERN}$",
            "description": 'the share of the value to add: "-7.5" is 7.5% less',
        },
    )
    reason = fields.Raw(
        required=True,
        metadata={**text_schema(LONGEST_REASON), "description": "why; the report prints it"},
    )


class Changes(NamedTuple):
    """The changes of a request: the members that were sent, and with which values."""

    sent: dict[str, Any]

    @property
    def adjustment(self) -> GivenAdjustment | None:
        """The adjustment that was sent."""
        found: GivenAdjustment | None = self.sent.get("adjustment")
        return found


class RequestChangeSchema(Schema):
    """A change of a request; what is left out stays as it is."""

    state = TermField(tuple(STATES), "the state to move it to", allow_none=False)
    graded = RequestInstrumentField(
        allow_none=True,
        metadata={"description": "the whole instrument as the specialist sees it; null: it is not graded"},
    )
    adjustment = ObjectField(
        NewAdjustmentSchema,
        read_adjustment,
        allow_none=True,
        metadata={"description": "the specialist's own adjustment of the value; null takes it away"},
    )
    in_hand = PathsField("fields that only an inspection in hand can tell; null: none")
    questions = PathsField("fields to ask the owner for; only where the state is waiting_for_owner")
    message = ProseField(LONGEST_MESSAGE, "words to the owner; only where the state is waiting_for_owner")
    reason = ProseField(LONGEST_MESSAGE, "why it is declined, as the owner is told; only with that move")

    @post_load
    def _changes(self, data: dict[str, Any], **_: Any) -> Changes:
        return Changes(data)


class OwnersAnswers(NamedTuple):
    """The answers of an owner: fields by path, and words."""

    answers: dict[str, Any]
    message: str | None


class AnswersSchema(Schema):
    """The answers of an owner to questions."""

    answers = AnswersField(
        metadata={
            **CHANGE,
            "description": 'fields by path, {"condition.neck": 2}, or nested; null is no answer',
        }
    )
    message = ProseField(LONGEST_MESSAGE, "what else the owner says; it can have several lines")

    @post_load
    def _answers(self, data: dict[str, Any], **_: Any) -> OwnersAnswers:
        return OwnersAnswers(data.get("answers") or {}, data.get("message"))


class NewNoteSchema(Schema):
    """A note, which only those who work on the request see."""

    text = ProseField(LONGEST_MESSAGE, "the note; it can have several lines", required=True)

    @post_load
    def _text(self, data: dict[str, Any], **_: Any) -> str:
        found: str = data["text"]
        return found
