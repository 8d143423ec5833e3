"""Schemas of records of evidence, in requests and answers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import request
from marshmallow import Schema, fields

from models.costs import LONGEST_SOURCE
from models.domain.evidence import Evidence
from models.domain.vocabulary import CHANNELS, KINDS, MAX_TEXT, Term
from models.errors import Fault, InputError
from service.api.evidence.reading import CONFIRMATION, HISTORY, read
from service.api.vocabulary.instrument import InstrumentSchema
from service.dumping import StoredJson, described, dumper, objects
from service.errors import FaultyRequestError
from service.faults import RecordWarningSchema, with_pointers
from service.http.schemas import CURRENCY, DAY, PRICE, Moment
from service.texts import text_schema

_PRICE = "all that the buyer pays, was asked to pay or offered, without tax and shipping; above 0"


def _terms(text: str, terms: tuple[Term, ...]) -> dict[str, Any]:
    meanings = {term.name: term.meaning for term in terms}
    more: dict[str, Any] = {"enum": list(meanings), "x-terms": meanings}
    return described(text, **more)


class CorrectedEvidenceSchema(Schema):
    """A record: a closed sale, an asking price or a declined offer."""

    id = fields.String(metadata={"description": "the record's own id: that of the path, or left out"})
    kind = fields.String(**_terms("what happened", KINDS))
    date = fields.String(**described("the day of the sale, listing or offer", **DAY))
    price = fields.Raw(
        **described(
            f"{_PRICE}; decimal text, or a number",
            **PRICE,
        )
    )
    currency = fields.String(**described("ISO 4217; converted at the rate of that day", **CURRENCY))
    channel = fields.String(**_terms("where it was sold, listed or offered for", CHANNELS))
    source = fields.String(
        allow_none=True,
        metadata={
            "description": "where the record comes from; no price model uses it",
            "maxLength": LONGEST_SOURCE,
        },
    )
    instrument = fields.Nested(InstrumentSchema, **described("the instrument; only what is known"))

    def load(self, data: Any, **_: Any) -> Evidence:
        """Load the record, by `models.domain.evidence`. Raises FaultyRequestError with every fault."""
        try:
            return read(self.named(data))
        except InputError as error:
            raise FaultyRequestError(with_pointers(error.faults)) from None

    def named(self, data: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return the record with the id of the path. Raises InputError if the body has another id."""
        record_id = (request.view_args or {})["evidence_id"]
        if data.get("id", record_id) != record_id:
            problem, step = "is not the id of the path", "leave it out; a record keeps its id"
            raise InputError([Fault("id", data["id"], problem, record_id, step)])
        return {**data, "id": record_id}


class NewEvidenceSchema(CorrectedEvidenceSchema):
    """A new record: a closed sale, an asking price or a declined offer."""

    id = fields.String(
        **described(
            "the id that you choose for it; no two records share one. It is part of an address: no / in "
            f"front, no . or .. between two /, and no /{HISTORY} or /{CONFIRMATION} at the end",
            **{**text_schema(MAX_TEXT), "pattern": r"^\s*[^\s/]"},
        )
    )

    def named(self, data: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return the record unchanged."""
        return data


class EvidenceRecordSchema(Schema):
    """A record as it is kept."""

    id = fields.String(**described("its id"))
    kind = fields.String(**_terms("what happened", KINDS))
    date = fields.Date(attribute="day", **described("the day of the sale, listing or offer"))
    price = fields.String(**described(_PRICE))
    currency = fields.String(**described("ISO 4217"))
    channel = fields.String(**_terms("where it was sold, listed or offered for", CHANNELS))
    source = fields.String(**described("where the record comes from; may be empty"))
    instrument = StoredJson(InstrumentSchema, **described("the instrument, spelled as the catalogue has it"))
    version = fields.Integer(**described("which version of the record it is: 1 if it was never changed"))
    recorded = Moment(**described("when it was recorded, in UTC"))
    changed = Moment(**described("when it was last changed, in UTC"))
    withdrawn = Moment(**described("when it was withdrawn; null: it is in use", optional=True))
    warnings = StoredJson(
        RecordWarningSchema,
        many=True,
        **described("why it is hard to believe; with any, no fit uses it before it is confirmed"),
    )
    confirmed = Moment(
        **described("when it was confirmed in spite of its warnings; null: it was not", optional=True)
    )


class EvidencePageSchema(Schema):
    """Some records, in the order in which they were recorded."""

    evidence = objects(EvidenceRecordSchema, "the records of this page")


class KeptEvidenceSchema(CorrectedEvidenceSchema):
    """A record as a change left it."""

    id = fields.String(**described("its id"))


class EvidenceChangeSchema(Schema):
    """One change of a record."""

    version = fields.Integer(**described("the version that it made"))
    action = fields.String(
        **described(
            "what was done; warned: it became the outcome of a valuation, beside which it is hard to believe",
            enum=["recorded", "corrected", "warned", "confirmed", "withdrawn", "reinstated"],
        )
    )
    key = fields.String(attribute="key_id", **described("the id of the key that did it"))
    at = Moment(**described("when, in UTC"))
    reason = fields.String(**described("the reason, if one was sent", optional=True))
    record = StoredJson(KeptEvidenceSchema, **described("the record after the change"))


class EvidenceHistorySchema(Schema):
    """All changes of a record."""

    id = fields.String(**described("the record's id"))
    changes = objects(EvidenceChangeSchema, "its changes, oldest first")


dump_record, dump_change = dumper(EvidenceRecordSchema), dumper(EvidenceChangeSchema)
