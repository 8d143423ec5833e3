"""PUT, GET and DELETE /v1/valuations/{id}/outcome; PUT /v1/valuations/{id}/outcome/evidence."""

from __future__ import annotations

from typing import Any

from flask import Response
from marshmallow import RAISE

from service.api.outcomes import services
from service.api.outcomes.schemas import OutcomeEvidenceSchema, OutcomeRequestSchema, ValuationOutcomeSchema
from service.http.blueprint import Blueprint, unless_changed
from service.http.hooks.conditional import SHOWN
from service.http.responses import json_response, shown_at

blp = Blueprint(
    "outcomes",
    __name__,
    url_prefix="/v1/valuations/<string:valuation_id>/outcome",
    description="What valued instruments were sold for later. It shows how good the values were, and is "
    "evidence for the next fit.",
)
_REQUEST, _EVIDENCE = OutcomeRequestSchema(unknown=RAISE), OutcomeEvidenceSchema(unknown=RAISE)


@blp.route("", methods=["PUT"])
@blp.authorize("evidence")
@blp.arguments(_REQUEST)
@blp.response(200, ValuationOutcomeSchema(), "The outcome, corrected.", problems=(404, 409), headers=SHOWN)
@blp.response(201, ValuationOutcomeSchema(), "The outcome, recorded.", headers=SHOWN)
@unless_changed
def record_outcome(sold: dict[str, Any], valuation_id: str) -> Response:
    """Record what the instrument was sold for, or correct that.

    A valuation has one outcome. The sale becomes a record of evidence: its kind is sale, its id is that of
    the valuation, and its history is kept. The next fit uses it once. One that is hard to believe, as a price
    far outside the valuation's range, is taken with warnings: it does not count before it is confirmed by
    `PUT /v1/evidence/{id}/confirmation` or corrected.
    """
    return _answer(services.record(valuation_id, sold))


@blp.route("/evidence", methods=["PUT"])
@blp.authorize("evidence")
@blp.arguments(_EVIDENCE)
@blp.response(200, ValuationOutcomeSchema(), "The outcome, corrected.", problems=(404,), headers=SHOWN)
@blp.response(201, ValuationOutcomeSchema(), "The outcome, recorded.", headers=SHOWN)
@unless_changed
def name_outcome(sold: dict[str, str], valuation_id: str) -> Response:
    """Name the record of evidence that holds the sale already.

    The sale is then not counted twice. If a record was made for this outcome before, it is withdrawn.
    """
    return _answer(services.name(valuation_id, sold["evidence"]))


def _answer(found: services.Recorded) -> Response:
    return json_response(found.answer, 201 if found.new else 200, shown_at(found.path))


@blp.route("")
@blp.authorize("evidence")
@blp.response(200, ValuationOutcomeSchema(), "The outcome.", problems=(404,))
def show_outcome(valuation_id: str) -> Response:
    """Show the sale that was recorded for a valuation.

    The answer shows it beside the value given before. If none was recorded, the answer is 404.
    """
    return json_response(services.show(valuation_id))


@blp.route("", methods=["DELETE"])
@blp.authorize("evidence")
@blp.response(200, ValuationOutcomeSchema(), "The outcome that was removed.", problems=(404,))
@unless_changed
def remove_outcome(valuation_id: str) -> Response:
    """Remove the outcome of a valuation.

    A record of evidence that was made for the outcome is withdrawn; one that was only named stays in use. The
    answer shows the outcome that was removed.
    """
    return json_response(services.remove(valuation_id))
