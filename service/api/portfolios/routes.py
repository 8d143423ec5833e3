"""POST /v1/portfolios: the value of many items together; and its picture."""

from __future__ import annotations

from flask import Response
from marshmallow import RAISE

from models.decisions.portfolios.picture import portfolio_picture
from service.api.portfolios import services
from service.api.portfolios.requests import PortfolioRequest, PortfolioRequestSchema
from service.api.portfolios.schemas import PortfolioSchema, dump_portfolio
from service.http.blueprint import Blueprint
from service.http.responses import SVG, json_response, raw_response

blp = Blueprint(
    "portfolios",
    __name__,
    url_prefix="/v1/portfolios",
    description="What the stock is worth as a whole, how sure that is, and what may be lost.",
)
_REQUEST = PortfolioRequestSchema(unknown=RAISE)


@blp.route("", methods=["POST"])
@blp.authorize("inventory")
@blp.arguments(_REQUEST)
@blp.response(200, PortfolioSchema(), "The totals, with their ranges.")
def value_portfolio(wanted: PortfolioRequest) -> Response:
    """Value many items together; nothing is kept.

    The range of a total counts the errors that items share, above all that of the market's level, so that it
    is wider than if each item erred by itself, and narrower than from all low ends to all high ends.
    """
    return json_response(dump_portfolio(services.make(wanted)))


@blp.route("/picture.svg", methods=["POST"])
@blp.authorize("inventory")
@blp.arguments(_REQUEST)
@blp.response(200, None, "The picture, which needs nothing else.", content_type=SVG)
def draw_portfolio(wanted: PortfolioRequest) -> Response:
    """Draw the total of many items with its ranges, and the totals of makers and models.

    An SVG picture that loads nothing from elsewhere, of the figures that the same body gets as JSON.
    """
    return raw_response(portfolio_picture(services.make(wanted).portfolio), form=SVG)
