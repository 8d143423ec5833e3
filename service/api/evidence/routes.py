"""POST and GET /v1/evidence; GET, PUT and DELETE /v1/evidence/{id}, and its history."""

from __future__ import annotations

from typing import IO, Any

from flask import Response

from models.domain.evidence import REQUIRED_COLUMNS, Evidence
from models.errors import Fault, InputError
from service.api.evidence import services
from service.api.evidence.files import MOST_ROWS, take_file
from service.api.evidence.listing import FILTERS, listed
from service.api.evidence.reading import HISTORY
from service.api.evidence.schemas import (
    CorrectedEvidenceSchema,
    EvidenceHistorySchema,
    EvidencePageSchema,
    EvidenceRecordSchema,
    NewEvidenceSchema,
)
from service.faults import IntakeReportSchema
from service.http.blueprint import Blueprint, idempotent, unless_changed
from service.http.pagination import LINK
from service.http.queries import Query
from service.http.responses import CSV, NDJSON, json_response, raw_response

blp = Blueprint(
    "evidence",
    __name__,
    url_prefix=services.PATH,
    description="What the market said: closed sales, prices asked and offers declined. Models are fitted on "
    "it; what is sent here changes no value before the next fit.",
)
_NEW, _CORRECTED = NewEvidenceSchema(), CorrectedEvidenceSchema()
_LONGEST_REASON = 200


def _read_reason(text: str) -> str:
    reason = text.strip()
    if len(reason) <= _LONGEST_REASON and reason.isprintable():
        return reason
    allowed = f"at most {_LONGEST_REASON} printable characters"
    raise InputError([Fault("reason", reason, "is not a usable reason", allowed, "make it shorter")])


_REASON = Query("reason", "why; kept in the history", {"type": "string", "maxLength": 200}, _read_reason)


def _read_strict(text: str) -> bool:
    if text in ("true", "false"):
        return text == "true"
    raise InputError([Fault("strict", text, "is not true or false", "true, false", "leave it out for false")])


_STRICT = Query(
    "strict",
    "true: rows that cannot be taken are an error, and none is kept; of files only",
    {"type": "boolean", "default": False},
    _read_strict,
)
_FILES = {
    CSV: {
        "type": "string",
        "title": "EvidenceCsv",
        "description": f"a header row with {', '.join(REQUIRED_COLUMNS)}, and source and any of the "
        f"instrument's fields, flat; at most {MOST_ROWS} rows",
    },
    NDJSON: blp.lines_of(NewEvidenceSchema),
}


@blp.route("", methods=["POST"])
@blp.authorize("evidence")
@blp.query(_STRICT)
@blp.row_arguments(_FILES, limit="evidence_limit", or_one=_NEW)
@blp.response(201, EvidenceRecordSchema(), "The record, which is kept.", headers={"Location": "its path"})
@blp.response(200, IntakeReportSchema(), "Of a file: what became of its rows.")
@idempotent
def record_evidence(form: str, given: Evidence | IO[bytes], strict: bool | None) -> Response:
    """Take in a record of the market, or a file of up to 50,000 of them.

    A record's id is your own, and one in all records: a second one with it is refused (409). Of a file, every
    row that is right is kept, all in one step or none; what was left out is reported with its line and
    reason. A row whose id stands already is left out, so that a file can be sent again. No value changes
    before the next fit.
    """
    if isinstance(given, Evidence):
        return services.record(given).response()
    return take_file(form, given, strict or False).response()


@blp.route("")
@blp.authorize("evidence")
@blp.query(*FILTERS)
@blp.response(200, EvidencePageSchema(), "A page of records.", headers=LINK)
def list_evidence(**asked: Any) -> Response:
    """Records in the order in which they were taken in, page by page: follow the header Link."""
    found, link = listed(asked)
    return json_response(found, headers=link)


@blp.route("/<record:evidence_id>")
@blp.authorize("evidence")
@blp.response(200, EvidenceRecordSchema(), "The record as it is now.", problems=(404, 410))
def show_evidence(evidence_id: str) -> Response:
    """One record; of one that was withdrawn only its history is shown."""
    return raw_response(services.show(evidence_id))


@blp.route("/<record:evidence_id>", methods=["PUT"])
@blp.authorize("evidence")
@blp.arguments(_CORRECTED)
@blp.query(_REASON)
@blp.response(200, EvidenceRecordSchema(), "The record as it is now.", problems=(404, 507))
@unless_changed
def correct_evidence(found: Evidence, evidence_id: str, reason: str | None) -> Response:
    """Correct a record: send it whole, as it should be. One that was withdrawn is used again.

    What it was before stays in its history. An id that no record has is not taken for a new one.
    """
    return raw_response(services.correct(evidence_id, found, reason))


@blp.route("/<record:evidence_id>", methods=["DELETE"])
@blp.authorize("evidence")
@blp.query(_REASON)
@blp.response(200, EvidenceRecordSchema(), "The record, withdrawn.", problems=(404, 410, 507))
@unless_changed
def withdraw_evidence(evidence_id: str, reason: str | None) -> Response:
    """Withdraw a record: it is kept with its history, and no fit uses it. Its id stays taken."""
    return raw_response(services.withdraw(evidence_id, reason))


@blp.route("/<record:evidence_id>/" + HISTORY)
@blp.authorize("evidence")
@blp.response(200, EvidenceHistorySchema(), "The changes, oldest first.", problems=(404,))
def show_evidence_history(evidence_id: str) -> Response:
    """Every change of a record: what, by which key, when, and why where it was said."""
    return json_response(services.history(evidence_id))
