"""POST /v1/offers: the most to pay for an instrument."""

from __future__ import annotations

from flask import Response
from marshmallow import RAISE

from service.api.offers import services
from service.api.offers.requests import OfferRequest, OfferRequestSchema
from service.api.offers.schemas import OfferSchema
from service.http.blueprint import Blueprint
from service.http.responses import json_response

blp = Blueprint(
    "offers",
    __name__,
    url_prefix="/v1/offers",
    description="What to pay for an instrument that is to be resold, line by line.",
)
_REQUEST = OfferRequestSchema(unknown=RAISE)


@blp.route("", methods=["POST"])
@blp.authorize("inventory")
@blp.arguments(_REQUEST)
@blp.response(200, OfferSchema(), "The offer.")
def make_offer(wanted: OfferRequest) -> Response:
    """Work out the most to pay for an instrument, and a first offer; nothing is kept.

    The most to pay is the highest price at which the wanted margin is met in expectation and the chance of a
    loss is at most the accepted risk. An asked price is set against it. `steps` is the arithmetic.
    """
    return json_response(services.make(wanted))
