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
    description="What stands behind a kept valuation, by the price model that made it, whatever model is "
    "current.",
)
_WHAT_IF, _COSTS = WhatIfSchema(unknown=RAISE), CostsSchema(unknown=RAISE)
_GONE = (404, 410)
_ASKING = Query(
    "asking",
    "a price that is asked for it, in the valuation's currency, to be shown in the picture",
    {"type": "string", "pattern": f"^{PATTERN}$", "example": "1250.00"},
    services.read_asking,
)


@blp.route("/comparables")
@blp.authorize("valuations")
@blp.response(200, PART_SCHEMAS["comparables"](), "The comparables.", problems=_GONE)
def show_comparables(valuation_id: str) -> Response:
    """The closest sales, each with its price adjusted line by line to the instrument, and their common value.

    Asking prices and offers are listed apart, and are never mixed in.
    """
    return json_response(services.part(valuation_id, "comparables"))


@blp.route("/questions")
@blp.authorize("valuations", forms=True)
@blp.response(200, PART_SCHEMAS["questions"](), "The questions.", problems=_GONE)
def show_questions(valuation_id: str) -> Response:
    """List what to ask or photograph next: the unknown fields that would narrow the 80% range most."""
    return json_response(services.part(valuation_id, "questions"))


@blp.route("/earlier-records")
@blp.authorize("valuations")
@blp.response(200, PART_SCHEMAS["earlier_records"](), "The records.", problems=_GONE)
def show_earlier_records(valuation_id: str) -> Response:
    """Earlier records of this very instrument, what changed since, and what their prices imply now."""
    return json_response(services.part(valuation_id, "earlier_records"))


@blp.route("/sentences")
@blp.authorize("valuations", forms=True)
@blp.response(200, PART_SCHEMAS["sentences"](), "The sentences.", problems=_GONE)
def show_sentences(valuation_id: str) -> Response:
    """Each reason of the valuation in a plain sentence, in the order of its attributions."""
    return json_response(services.part(valuation_id, "sentences"))


@blp.route("/alternatives", methods=["POST"])
@blp.authorize("valuations")
@blp.arguments(_WHAT_IF)
@blp.response(200, AlternativesSchema(), "The alternatives, in the order asked.", problems=_GONE)
def find_alternatives(asked: WhatIf, valuation_id: str) -> Response:
    """Value the same instrument with some fields changed; nothing is kept.

    The ranges of the differences are paired: uncertainty common to both states is left out.
    """
    return json_response(services.what_if(valuation_id, asked))


@blp.route("/restoration", methods=["POST"])
@blp.authorize("valuations")
@blp.arguments(_COSTS)
@blp.response(200, PART_SCHEMAS["restoration"](), "What can be put right, and what cannot.", problems=_GONE)
def find_restoration(costs: Costs, valuation_id: str) -> Response:
    """Weigh what putting parts right adds to the value against its cost; nothing is kept.

    It names what cannot be restored, such as a finish that is gone.
    """
    return json_response(services.put_right(valuation_id, costs))


@blp.route("/waterfall.svg")
@blp.authorize("valuations", forms=True)
@blp.response(200, None, "The picture, which needs nothing else.", problems=_GONE, content_type=SVG)
def draw_waterfall(valuation_id: str) -> Response:
    """The steps from a typical instrument's price to this value, as a picture."""
    return raw_response(services.waterfall(valuation_id), form=SVG)


@blp.route("/intervals.svg")
@blp.authorize("valuations")
@blp.query(_ASKING)
@blp.response(200, None, "The picture, which needs nothing else.", problems=_GONE, content_type=SVG)
def draw_intervals(valuation_id: str, asking: Decimal | None) -> Response:
    """The ranges with the comparables on them, and an asking price if one is given, as a picture."""
    return raw_response(services.intervals_chart(valuation_id, asking), form=SVG)


@blp.route("/price-index.svg")
@blp.authorize("valuations")
@blp.response(200, None, "The picture, which needs nothing else.", problems=_GONE, content_type=SVG)
def draw_price_index(valuation_id: str) -> Response:
    """The worth of a typical instrument over the years, with its band, as a picture."""
    return raw_response(services.price_index(valuation_id), form=SVG)
