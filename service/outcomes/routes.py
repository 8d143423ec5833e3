"""PUT, GET and DELETE /v1/valuations/{id}/outcome; PUT /v1/valuations/{id}/outcome/record."""

from __future__ import annotations

from typing import Any

from flask import Response
from marshmallow import RAISE

from service.outcomes import rules
from service.outcomes.schemas import OutcomeAskSchema, OutcomeRecordSchema, ValuationOutcomeSchema
from service.web import Noun, answer

blp = Noun(
    "outcomes",
    __name__,
    url_prefix="/v1/valuations/<string:valuation_id>/outcome",
    description="What valued instruments were sold for later: how good values were is learned from it, and "
    "it is evidence for the next fit.",
)
_ASK, _RECORD = OutcomeAskSchema(unknown=RAISE), OutcomeRecordSchema(unknown=RAISE)


@blp.route("", methods=["PUT"])
@blp.needs("evidence")
@blp.takes(_ASK)
@blp.gives(200, ValuationOutcomeSchema(), "The outcome, corrected.", problems=(404, 409))
@blp.gives(201, ValuationOutcomeSchema(), "The outcome, recorded.")
def record_outcome(said: dict[str, Any], valuation_id: str) -> Response:
    """Record what it was sold for, or correct that: a valuation has one outcome.

    The sale becomes a record of evidence, of kind sale and with the id of the valuation, whose history is
    kept; it serves the next fit once.
    """
    return _answer(rules.record(valuation_id, said))


@blp.route("/record", methods=["PUT"])
@blp.needs("evidence")
@blp.takes(_RECORD)
@blp.gives(200, ValuationOutcomeSchema(), "The outcome, corrected.", problems=(404,))
@blp.gives(201, ValuationOutcomeSchema(), "The outcome, recorded.")
def name_outcome(said: dict[str, str], valuation_id: str) -> Response:
    """Name the record of evidence that holds the sale already, so that the sale is not counted twice.

    A record that was made for this outcome before is withdrawn.
    """
    return _answer(rules.name(valuation_id, said["evidence"]))


def _answer(found: rules.Recorded) -> Response:
    return answer(found.answer, 201 if found.new else 200)


@blp.route("")
@blp.needs("evidence")
@blp.gives(200, ValuationOutcomeSchema(), "The outcome.", problems=(404,))
def show_outcome(valuation_id: str) -> Response:
    """What it was sold for, as it is recorded now."""
    return answer(rules.show(valuation_id))


@blp.route("", methods=["DELETE"])
@blp.needs("evidence")
@blp.gives(200, ValuationOutcomeSchema(), "The outcome that was.", problems=(404,))
def remove_outcome(valuation_id: str) -> Response:
    """Let the valuation have no outcome; a record of evidence that was made for it is withdrawn."""
    return answer(rules.remove(valuation_id))
