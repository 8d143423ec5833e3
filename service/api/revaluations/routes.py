"""POST and GET /v1/revaluations; GET /v1/revaluations/{id}; GET /v1/items/{stock_number}/history."""

from __future__ import annotations

from typing import Any

from flask import Response
from marshmallow import RAISE

from service.api.revaluations import services
from service.api.revaluations.schemas import (
    HistorySchema,
    RevaluationPageSchema,
    RevaluationRequestSchema,
    RevaluationSchema,
)
from service.http.blueprint import Blueprint, idempotent
from service.http.hooks.conditional import MADE
from service.http.pagination import LINK, PAGED, page_of
from service.http.responses import json_response

blp = Blueprint(
    "revaluations",
    __name__,
    url_prefix="/v1",
    description="Revaluations of the stock: on demand, after the promotion of a price model, and on a "
    "schedule. One is worked on at a time, beside everything else. Histories say why values moved.",
)
_REQUEST = RevaluationRequestSchema(unknown=RAISE)


@blp.route("/revaluations", methods=["POST"])
@blp.authorize("inventory")
@blp.arguments(_REQUEST)
@blp.response(202, RevaluationSchema(), "It waits for its turn.", headers=MADE)
@idempotent
def create_revaluation(asked: dict[str, Any]) -> Response:
    """Value the stock again, all of it or what a filter lets pass.

    The answer comes at once; the address in Location shows how far the work has come. An item is gone through
    once; one that has a value of the day by the current price model keeps it. An item that cannot be valued
    keeps its last value, and says why.
    """
    return services.begin(asked.get("filter") or {}).response()


@blp.route("/revaluations")
@blp.authorize("inventory")
@blp.query(*PAGED)
@blp.response(200, RevaluationPageSchema(), "A page of revaluations.", headers=LINK)
def list_revaluations(**asked: Any) -> Response:
    """List revaluations, newest first.

    Those that began by themselves are among them. If there are more, the header Link leads to the next page.
    """
    body, link = services.listed(page_of(asked))
    return json_response(body, headers=link)


@blp.route("/revaluations/<string:revaluation_id>")
@blp.authorize("inventory")
@blp.response(200, RevaluationSchema(), "The revaluation.", problems=(404,))
def show_revaluation(revaluation_id: str) -> Response:
    """Show one revaluation, and how far it has come.

    Its state says whether it waits, runs, is done or broke.
    """
    return json_response(services.show(revaluation_id))


@blp.route("/items/<name:stock_number>/history")
@blp.authorize("inventory")
@blp.query(*PAGED)
@blp.response(200, HistorySchema(), "A page of the item's values.", problems=(404, 410), headers=LINK)
def show_item_history(stock_number: str, **asked: Any) -> Response:
    """Show the values of an item over time, newest first, and why each moved.

    The amounts of the causes sum to the difference to the cent. If there are more values, the header Link
    leads to the next page.
    """
    body, link = services.history(stock_number, page_of(asked))
    return json_response(body, headers=link)
