"""POST /v1/valuations and GET /v1/valuations/{id}; POST /v1/intervals and POST /v1/attributions."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Response, g
from marshmallow import RAISE

from service.api.parts.parts import PARTS, FullValuationSchema, check_parts, read_include
from service.api.valuations import records
from service.api.valuations.services import make_and_keep
from service.api.values import services
from service.api.values.requests import ValuationRequestSchema
from service.api.values.schemas import AttributionsSchema, IntervalsSchema, dump_attributions, dump_intervals
from service.context import context
from service.db.engine import reading
from service.http.blueprint import Blueprint, idempotent
from service.http.hooks.conditional import MADE, NEVER_CHANGES
from service.http.queries import Query
from service.http.responses import json_response, raw_response, shown_at

blp = Blueprint(
    "valuations",
    __name__,
    url_prefix="/v1",
    description="What an instrument is worth, how sure that is, and why.",
)
_REQUEST = ValuationRequestSchema(
    unknown=RAISE
)  # made once, because making a schema costs more than a valuation
_INCLUDE = Query(
    "include",
    "parts to add to the answer: their names, separated by commas",
    {
        "type": "array",
        "items": {"type": "string", "enum": [*PARTS]},
        "minItems": 1,
        "example": ["comparables", "questions"],
    },
    read_include,
)


@blp.route("/valuations", methods=["POST"])
@blp.authorize("valuations", forms=True)
@blp.arguments(_REQUEST)
@blp.query(_INCLUDE)
@blp.response(201, FullValuationSchema(), "The valuation, which is now kept.", headers=MADE)
@idempotent
def create_valuation(wanted: services.ValuationRequest, include: Sequence[str] | None) -> Response:
    """Value an instrument and keep the answer.

    The value is the middle estimate of what a buyer pays on that day in that market, before tax and shipping:
    about half of such sales should be higher, and more than half where many fields are blank, since a blank
    never adds to a value. The amounts of the families add up to value − reference, to the cent.
    A request that is sent again with the same Idempotency-Key gets the same answer. The parts that `include`
    names come in the answer and are kept with it.
    """
    check_parts(include or (), g.caller)
    kept = make_and_keep(wanted, include or ())
    return raw_response(kept.answer, 201, shown_at(f"/v1/valuations/{kept.id}", new=True))


@blp.route("/valuations/<string:valuation_id>")
@blp.authorize("valuations", forms=True)
@blp.response(200, FullValuationSchema(), "The valuation as it was answered.", problems=(404,))
def show_valuation(valuation_id: str) -> Response:
    """Show a kept valuation, exactly as it was answered.

    It stays the same to the byte, whichever price model is current. A system key with the scope can read
    every valuation whose id it knows, and ids cannot be guessed; a website key reads only those that it made.
    """
    with reading(context().engine) as connection:
        return raw_response(records.find(connection, valuation_id, g.caller), headers=NEVER_CHANGES)


@blp.route("/intervals", methods=["POST"])
@blp.authorize("valuations")
@blp.arguments(_REQUEST)
@blp.response(200, IntervalsSchema(), "The value and its ranges.")
def find_intervals(wanted: services.ValuationRequest) -> Response:
    """Give the value and its ranges; nothing is kept.

    For callers who need no reasons. The figures are those that a valuation of the same request has.
    """
    return json_response(dump_intervals(services.ranged(wanted)))


@blp.route("/attributions", methods=["POST"])
@blp.authorize("valuations")
@blp.arguments(_REQUEST)
@blp.response(200, AttributionsSchema(), "The value, its ranges and its reasons.")
def find_attributions(wanted: services.ValuationRequest) -> Response:
    """Give the value, its ranges and its reasons; nothing is kept.

    For callers who need no record. The figures are those that a valuation of the same request has.
    """
    return json_response(dump_attributions(services.value(wanted)))
