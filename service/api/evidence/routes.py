"""POST and GET /v1/evidence; GET, PUT and DELETE /v1/evidence/{id}, its history and its confirmation."""

from __future__ import annotations

from typing import IO, Any

from flask import Response

from models.costs import MOST_LINES
from models.domain.evidence import REQUIRED_COLUMNS, Evidence
from models.errors import Fault
from service.api.evidence import services
from service.api.evidence.files import take_file
from service.api.evidence.listing import FILTERS, listed
from service.api.evidence.reading import CONFIRMATION, HISTORY, LONGEST_REASON, read_reason
from service.api.evidence.schemas import (
    CorrectedEvidenceSchema,
    EvidenceHistorySchema,
    EvidencePageSchema,
    EvidenceRecordSchema,
    NewEvidenceSchema,
)
from service.errors import FaultyRequestError, Located
from service.faults import IntakeReportSchema
from service.http.blueprint import Blueprint, idempotent, unless_changed
from service.http.hooks.conditional import MADE, SHOWN
from service.http.pagination import LINK, PAGED
from service.http.queries import Query, flag
from service.http.responses import CSV, NDJSON, json_response, raw_response, shown_at

blp = Blueprint(
    "evidence",
    __name__,
    url_prefix=services.PATH,
    description="Closed sales, asking prices and declined offers. Price models are fitted on them; what is "
    "sent here changes no value before the next fit.",
)
_NEW, _CORRECTED = NewEvidenceSchema(), CorrectedEvidenceSchema()
_REASON = Query(
    "reason",
    "the reason for what is done, which is kept in the history",
    {"type": "string", "maxLength": LONGEST_REASON},
    read_reason,
)
_STRICT = flag("strict", "for files: whether a wrong row is an error, so that no row is kept", default=False)
_CORRECTIONS = flag(
    "corrections",
    "for files: whether each row corrects the record that has its id; unknown ids are faults",
    default=False,
)
_FILES = {
    CSV: {
        "type": "string",
        "title": "EvidenceCsv",
        "description": f"CSV whose header row names {', '.join(REQUIRED_COLUMNS)}. It can also name source "
        f"and the fields of the instrument, by their flat names. At most {MOST_LINES} lines of rows",
    },
    NDJSON: blp.lines_of(NewEvidenceSchema),
}


@blp.route("", methods=["POST"])
@blp.authorize("evidence")
@blp.query(_STRICT, _CORRECTIONS, _REASON)
@blp.row_arguments(_FILES, limit="evidence_limit", or_one=_NEW)
@blp.response(201, EvidenceRecordSchema(), "The new record.", headers=MADE)
@blp.response(200, IntakeReportSchema(), "For a file: how many rows were kept, and why others were not.")
@idempotent
def record_evidence(
    form: str,
    given: Evidence | IO[bytes],
    strict: bool | None,
    corrections: bool | None,
    reason: str | None,
) -> Response:
    """Record a sale, an asking price or a declined offer, or a file of up to 50,000 lines of them.

    You choose a record's id. No two records share one: a second record with the same id is refused (409). Of
    a file, all correct rows are kept in one step, or none of them; every row that was left out is reported
    with its line and the reason. A row whose id exists already is left out, so a file can be sent again: one
    that says the same counts as a duplicate, one that says something else as changed, with each difference.
    With `corrections` such rows correct their records instead. A record that is hard to believe is taken with
    warnings, and no fit uses it before it is confirmed or corrected. No value changes before the next fit.
    """
    if isinstance(given, Evidence):
        if corrections:
            fault = Fault("corrections", "true", "is for files", "a file", "correct one record by PUT")
            raise FaultyRequestError([Located(None, fault)])
        return services.record(given, reason).response()
    taken = take_file(form, given, strict=bool(strict), corrections=bool(corrections), reason=reason)
    return taken.response()


@blp.route("")
@blp.authorize("evidence")
@blp.query(*FILTERS, *PAGED)
@blp.response(200, EvidencePageSchema(), "A page of records.", headers=LINK)
def list_evidence(**asked: Any) -> Response:
    """List records in the order in which they were recorded, page by page.

    `warned=true` lists what a person should look at: records that no fit uses, because a warning on each is
    neither confirmed nor corrected. If there are more records, the header Link leads to the next page.
    Withdrawn records are left out unless `withdrawn` asks for them.
    """
    found, link = listed(asked)
    return json_response(found, headers=link)


@blp.route("/<record:evidence_id>")
@blp.authorize("evidence")
@blp.response(200, EvidenceRecordSchema(), "The record as it is now.", problems=(404, 410))
def show_evidence(evidence_id: str) -> Response:
    """Show one record as it is now.

    If the record was withdrawn, the answer is 410; its history can still be read.
    """
    return raw_response(services.show(evidence_id))


@blp.route("/<record:evidence_id>", methods=["PUT"])
@blp.authorize("evidence")
@blp.arguments(_CORRECTED)
@blp.query(_REASON)
@blp.response(200, EvidenceRecordSchema(), "The record as it is now.", problems=(404, 507), headers=SHOWN)
@unless_changed
def correct_evidence(found: Evidence, evidence_id: str, reason: str | None) -> Response:
    """Correct a record: send it whole, as it should be.

    The version before stays in the record's history. Correcting a withdrawn record brings it back into use.
    The answer has the warnings on the record as it is now; those that were confirmed stay so only if nothing
    has changed. If no record has this id, the answer is 404 and nothing is recorded.
    """
    return raw_response(
        services.correct(evidence_id, found, reason), headers=shown_at(services.path_of(evidence_id))
    )


@blp.route("/<record:evidence_id>", methods=["DELETE"])
@blp.authorize("evidence")
@blp.query(_REASON)
@blp.response(200, EvidenceRecordSchema(), "The record, now withdrawn.", problems=(404, 410, 507))
@unless_changed
def withdraw_evidence(evidence_id: str, reason: str | None) -> Response:
    """Withdraw a record, so that no fit uses it.

    The record and its history are kept, and its id stays taken. To use the record again, correct it.
    """
    return raw_response(services.withdraw(evidence_id, reason))


@blp.route("/<record:evidence_id>/" + CONFIRMATION, methods=["PUT"])
@blp.authorize("evidence")
@blp.query(_REASON)
@blp.response(
    200, EvidenceRecordSchema(), "The record, now confirmed.", problems=(404, 410, 507), headers=SHOWN
)
@unless_changed
def confirm_evidence(evidence_id: str, reason: str | None) -> Response:
    """Confirm a record that is hard to believe but right, so that fits use it.

    Its history says which key confirmed it and when. A record without warnings, or that was confirmed before,
    is answered unchanged. A later change that gives new warnings has to be confirmed again.
    """
    return raw_response(
        services.confirm(evidence_id, reason), headers=shown_at(services.path_of(evidence_id))
    )


@blp.route("/<record:evidence_id>/" + HISTORY)
@blp.authorize("evidence")
@blp.response(200, EvidenceHistorySchema(), "The changes, oldest first.", problems=(404,))
def show_evidence_history(evidence_id: str) -> Response:
    """Show every change of a record, oldest first.

    Each change says what was done, by which key and when, and the reason if one was sent. A withdrawn record
    has its history too.
    """
    return json_response(services.history(evidence_id))
