"""What stands behind a kept valuation: GET and POST below /v1/valuations/{id}."""

from __future__ import annotations

from decimal import Decimal

from flask import Response
from marshmallow import RAISE

from service.queries import Query
from service.valuations import part_rules as rules
from service.valuations.amounts import PATTERN
from service.valuations.changes import Costs, CostsSchema, WhatIf, WhatIfSchema
from service.valuations.part_schemas import AlternativesSchema, part_schema
from service.web import SVG, Noun, answer, sent

blp = Noun(
    "reasons",
    __name__,
    url_prefix="/v1/valuations/<string:valuation_id>",
    description="What stands behind a kept valuation, by the model that made it, whatever model is current.",
)
_WHAT_IF, _COSTS = WhatIfSchema(unknown=RAISE), CostsSchema(unknown=RAISE)
_GONE = (404, 410)
_ASKING = Query(
    "asking",
    "a price that is asked for it, in the valuation's currency, to be shown in the picture",
    {"type": "string", "pattern": f"^{PATTERN}$", "example": "1250.00"},
    rules.read_asking,
)


@blp.route("/comparables")
@blp.needs("valuations")
@blp.gives(200, part_schema("comparables"), "The comparables.", problems=_GONE)
def show_comparables(valuation_id: str) -> Response:
    """The closed sales that say most about it, each brought line by line to it, and what they say together.

    Asking prices and offers stand beside them and are never mixed in.
    """
    return answer(rules.part(valuation_id, "comparables"))


@blp.route("/questions")
@blp.needs("valuations", forms=True)
@blp.gives(200, part_schema("questions"), "The questions.", problems=_GONE)
def show_questions(valuation_id: str) -> Response:
    """What to ask or photograph next: the unknown fields whose answers would narrow the 80% range most."""
    return answer(rules.part(valuation_id, "questions"))


@blp.route("/record")
@blp.needs("valuations")
@blp.gives(200, part_schema("record"), "The record.", problems=_GONE)
def show_record(valuation_id: str) -> Response:
    """Earlier records of this very instrument, what changed since, and what their prices imply now."""
    return answer(rules.part(valuation_id, "record"))


@blp.route("/sentences")
@blp.needs("valuations", forms=True)
@blp.gives(200, part_schema("sentences"), "The sentences.", problems=_GONE)
def show_sentences(valuation_id: str) -> Response:
    """Each reason of the valuation in a plain sentence, in the order of its attributions."""
    return answer(rules.part(valuation_id, "sentences"))


@blp.route("/alternatives", methods=["POST"])
@blp.needs("valuations")
@blp.takes(_WHAT_IF)
@blp.gives(200, AlternativesSchema(), "The alternatives, in the order asked.", problems=_GONE)
def find_alternatives(asked: WhatIf, valuation_id: str) -> Response:
    """What the same instrument would be worth with some fields changed; nothing is kept.

    The ranges of the differences are paired: what both states share is not in them.
    """
    return answer(rules.what_if(valuation_id, asked))


@blp.route("/restoration", methods=["POST"])
@blp.needs("valuations")
@blp.takes(_COSTS)
@blp.gives(200, part_schema("restoration"), "What can be put right, and what cannot.", problems=_GONE)
def find_restoration(costs: Costs, valuation_id: str) -> Response:
    """What putting parts right adds to the value, against what it costs; nothing is kept.

    It names what cannot be restored, such as a finish that is gone.
    """
    return answer(rules.put_right(valuation_id, costs))


@blp.route("/walk.svg")
@blp.needs("valuations", forms=True)
@blp.gives(200, None, "The picture, which needs nothing else.", problems=_GONE, content_type=SVG)
def draw_walk(valuation_id: str) -> Response:
    """The way from a typical instrument's price to this value, as a picture."""
    return sent(rules.walk(valuation_id), form=SVG)


@blp.route("/span.svg")
@blp.needs("valuations")
@blp.asks(_ASKING)
@blp.gives(200, None, "The picture, which needs nothing else.", problems=_GONE, content_type=SVG)
def draw_span(valuation_id: str, asking: Decimal | None) -> Response:
    """The ranges with the comparables on them, and a price that is asked, as a picture."""
    return sent(rules.span(valuation_id, asking), form=SVG)


@blp.route("/index.svg")
@blp.needs("valuations")
@blp.gives(200, None, "The picture, which needs nothing else.", problems=_GONE, content_type=SVG)
def draw_index(valuation_id: str) -> Response:
    """The worth of a typical instrument over the years, with its band, as a picture."""
    return sent(rules.index(valuation_id), form=SVG)
