"""The parts of a kept valuation: GET and POST below /v1/valuations/{id}."""

from __future__ import annotations

from decimal import Decimal

from flask import Response
from marshmallow import RAISE

from service.api.parts.amounts import PATTERN
from service.api.parts.changes import Costs, CostsSchema, WhatIf, WhatIfSchema
from service.api.parts.parts import PART_SCHEMAS
from service.api.parts.schemas import AlternativesSchema
from service.api.valuations import part_services as services
from service.http.blueprint import Blueprint
from service.http.queries import Query
from service.http.responses import SVG, json_response, raw_response

blp = Blueprint(
    "reasons",
    __name__,
    url_prefix="/v1/valuations/<string:valuation_id>",
    description="What stands behind a kept valuation, by the price model that made it, even if another one "
    "is current by now.",
)
_WHAT_IF, _COSTS = WhatIfSchema(unknown=RAISE), CostsSchema(unknown=RAISE)
_GONE = (404, 410)
_ASKING = Query(
    "asking",
    "an asking price to show in the picture, in the currency of the valuation",
    {"type": "string", "pattern": f"^{PATTERN}$", "example": "1250.00"},
    services.read_asking,
)


@blp.route("/comparables")
@blp.authorize("valuations")
@blp.response(200, PART_SCHEMAS["comparables"](), "The comparables.", problems=_GONE)
def show_comparables(valuation_id: str) -> Response:
    """Show the closed sales that say most about the value.

    Each sale is adjusted line by line to this instrument, day and market, and together they give one figure.
    Asking prices and offers are shown beside the sales and never mixed in.
    """
    return json_response(services.part(valuation_id, "comparables"))


@blp.route("/questions")
@blp.authorize("valuations", forms=True)
@blp.response(200, PART_SCHEMAS["questions"](), "The questions.", problems=_GONE)
def show_questions(valuation_id: str) -> Response:
    """List what to ask or photograph next.

    These are the unknown fields whose answers would narrow the 80% range most, the most telling first. Each
    comes with its likely answers and the value that each would give.
    """
    return json_response(services.part(valuation_id, "questions"))


@blp.route("/earlier-records")
@blp.authorize("valuations")
@blp.response(200, PART_SCHEMAS["earlier_records"](), "The records.", problems=_GONE)
def show_earlier_records(valuation_id: str) -> Response:
    """Show earlier records of this very instrument.

    They are found by its serial number. Each says what it implies for the value now and what changed up to
    the next record.
    """
    return json_response(services.part(valuation_id, "earlier_records"))


@blp.route("/sentences")
@blp.authorize("valuations", forms=True)
@blp.response(200, PART_SCHEMAS["sentences"](), "The sentences.", problems=_GONE)
def show_sentences(valuation_id: str) -> Response:
    """Give each reason of the valuation as a plain sentence.

    The sentences come in the order of the attributions. Fields that were not given share one sentence, with
    the sum of their effects.
    """
    return json_response(services.part(valuation_id, "sentences"))


@blp.route("/alternatives", methods=["POST"])
@blp.authorize("valuations")
@blp.arguments(_WHAT_IF)
@blp.response(
    200, AlternativesSchema(), "The alternatives, in the order in which they were sent.", problems=_GONE
)
def find_alternatives(asked: WhatIf, valuation_id: str) -> Response:
    """Value the same instrument with some fields changed; nothing is kept.

    The ranges of a difference leave out the uncertainty that is common to both states.
    """
    return json_response(services.what_if(valuation_id, asked))


@blp.route("/restoration", methods=["POST"])
@blp.authorize("valuations")
@blp.arguments(_COSTS)
@blp.response(200, PART_SCHEMAS["restoration"](), "What can be repaired, and what cannot.", problems=_GONE)
def find_restoration(costs: Costs, valuation_id: str) -> Response:
    """Weigh what repairs would add to the value against their cost; nothing is kept.

    The answer also names what cannot be restored, such as a finish that is gone.
    """
    return json_response(services.put_right(valuation_id, costs))


@blp.route("/waterfall.svg")
@blp.authorize("valuations", forms=True)
@blp.response(200, None, "The picture, which needs nothing else.", problems=_GONE, content_type=SVG)
def draw_waterfall(valuation_id: str) -> Response:
    """Draw the steps from a typical instrument's price to this value.

    An SVG picture that loads nothing from elsewhere. Each factor has a bar with its amount; the smallest
    share one.
    """
    return raw_response(services.waterfall(valuation_id), form=SVG)


@blp.route("/intervals.svg")
@blp.authorize("valuations")
@blp.query(_ASKING)
@blp.response(200, None, "The picture, which needs nothing else.", problems=_GONE, content_type=SVG)
def draw_intervals(valuation_id: str, asking: Decimal | None) -> Response:
    """Draw the ranges of the value, with the comparables beside them.

    An SVG picture that loads nothing from elsewhere. An asking price can be added with `asking`.
    """
    return raw_response(services.intervals_chart(valuation_id, asking), form=SVG)


@blp.route("/price-index.svg")
@blp.authorize("valuations")
@blp.response(200, None, "The picture, which needs nothing else.", problems=_GONE, content_type=SVG)
def draw_price_index(valuation_id: str) -> Response:
    """Draw how the price of a typical instrument moved over the years.

    An SVG picture that loads nothing from elsewhere. The last day counts as 100, and a band shows how sure
    the change since each earlier day is.
    """
    return raw_response(services.price_index(valuation_id), form=SVG)
