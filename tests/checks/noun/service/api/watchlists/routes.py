"""POST and GET /v1/watchlists; GET /v1/watchlists/{id}."""

from __future__ import annotations

from typing import Any

from flask import Response
from marshmallow import RAISE

from service.api.watchlists import services
from service.api.watchlists.schemas import WatchlistRequestSchema, WatchlistSchema, WatchlistsSchema
from service.http.blueprint import Blueprint, idempotent
from service.http.pagination import LINK, PAGED
from service.http.responses import json_response

blp = Blueprint(
    "watchlists", __name__, url_prefix=services.PATH, description="Lists of what a caller keeps an eye on."
)
_REQUEST = WatchlistRequestSchema(unknown=RAISE)


@blp.route("", methods=["POST"])
@blp.authorize("evidence")
@blp.arguments(_REQUEST)
@blp.response(201, WatchlistSchema(), "The new watchlist.", headers={"Location": "the path of it"})
@idempotent
def create_watchlist(asked: dict[str, object]) -> Response:
    """Make a watchlist.

    It is empty. Its id is in the answer.
    """
    return services.make(asked["name"]).response()


@blp.route("")
@blp.authorize("evidence")
@blp.query(*PAGED)
@blp.response(200, WatchlistsSchema(), "A page of watchlists.", headers=LINK)
def list_watchlists(**asked: Any) -> Response:
    """List watchlists in the order in which they were made, page by page.

    If there are more, the header Link leads to the next page.
    """
    found, link = services.listed(asked)
    return json_response(found, headers=link)


@blp.route("/<string:watchlist_id>")
@blp.authorize("evidence")
@blp.response(200, WatchlistSchema(), "The watchlist.", problems=(404,))
def show_watchlist(watchlist_id: str) -> Response:
    """Show one watchlist.

    If there is none with this id, the answer is 404.
    """
    return json_response(services.show(watchlist_id))
