"""POST /v1/valuations and GET /v1/valuations/{id}; POST /v1/intervals and POST /v1/attributions."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Response, g
from marshmallow import RAISE

from service.conditional import NEVER_CHANGES
from service.context import context
from service.queries import Query
from service.store.base import reading
from service.valuations import records, rules
from service.valuations.keeping import make_and_keep
from service.valuations.part_schemas import FullValuationSchema
from service.valuations.parts import PARTS, check_parts, read_include
from service.valuations.schemas import AskSchema, AttributionsSchema, IntervalsSchema
from service.web import Noun, answer, once, sent

blp = Noun(
    "valuations",
    __name__,
    url_prefix="/v1",
    description="What an instrument is worth, how sure that is, and why.",
)
_ASK = AskSchema(unknown=RAISE)  # made once: a new one for each request would cost more than the valuation
_INCLUDE = Query(
    "include",
    "what the answer shall carry beside the figures: names of its parts between commas",
    {
        "type": "array",
        "items": {"type": "string", "enum": [*PARTS]},
        "minItems": 1,
        "example": ["comparables", "questions"],
    },
    read_include,
)


@blp.route("/valuations", methods=["POST"])
@blp.needs("valuations", forms=True)
@blp.takes(_ASK)
@blp.asks(_INCLUDE)
@blp.gives(201, FullValuationSchema(), "The valuation, which is kept.", headers={"Location": "its path"})
@once
def create_valuation(ask: rules.Ask, include: Sequence[str] | None) -> Response:
    """Value an instrument and keep the answer.

    The value is the middle estimate of what a buyer pays on that day in that market, before tax and shipping:
    half of such sales should be higher. The amounts of the families sum to value − reference to the cent.
    Send an Idempotency-Key, and a request that is sent twice is answered alike.
    What `include` names comes in the same answer and is kept with it.
    """
    check_parts(include or (), g.caller)
    kept = make_and_keep(ask, include or ())
    return sent(kept.answer, 201, {"Location": f"/v1/valuations/{kept.id}"})


@blp.route("/valuations/<string:valuation_id>")
@blp.needs("valuations", forms=True)
@blp.gives(200, FullValuationSchema(), "The valuation as it was answered.", problems=(404,))
def show_valuation(valuation_id: str) -> Response:
    """The same answer again, to the byte, whatever model is current now.

    Any secret key with the scope can read it who has its id, which cannot be guessed; a publishable key only
    those that it made.
    """
    with reading(context().engine) as connection:
        return sent(records.find(connection, valuation_id, g.caller), headers=NEVER_CHANGES)


@blp.route("/intervals", methods=["POST"])
@blp.needs("valuations")
@blp.takes(_ASK)
@blp.gives(200, IntervalsSchema(), "The value and its ranges.")
def find_intervals(ask: rules.Ask) -> Response:
    """The value and its ranges alone; nothing is kept."""
    return answer(rules.intervals_answer(rules.ranged(ask)))


@blp.route("/attributions", methods=["POST"])
@blp.needs("valuations")
@blp.takes(_ASK)
@blp.gives(200, AttributionsSchema(), "The value, its ranges and its reasons.")
def find_attributions(ask: rules.Ask) -> Response:
    """The value, its ranges and its reasons; nothing is kept."""
    return answer(rules.attributions_answer(rules.value(ask)))
