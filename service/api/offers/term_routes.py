"""/v1/offer-terms: keep, show, list and remove terms of offers."""

from __future__ import annotations

from typing import Any

from flask import Response
from marshmallow import RAISE

from service.api.offers import terms
from service.api.offers.requests import KeptTermsRequestSchema
from service.api.offers.schemas import KeptTermsPageSchema, KeptTermsSchema
from service.http.blueprint import Blueprint, unless_changed
from service.http.hooks.conditional import SHOWN
from service.http.pagination import LINK, PAGED
from service.http.responses import json_response, shown_at

blp = Blueprint(
    "offer terms",
    __name__,
    url_prefix=terms.PATH,
    description="Terms of offers that are kept under a name. All keys with the scope inventory share them.",
)
_REQUEST = KeptTermsRequestSchema(unknown=RAISE)


@blp.route("/<string:terms_name>", methods=["PUT"])
@blp.authorize("inventory")
@blp.arguments(_REQUEST)
@blp.response(200, KeptTermsSchema(), "The terms, changed.", problems=(507,), headers=SHOWN)
@blp.response(201, KeptTermsSchema(), "The terms, kept.", headers=SHOWN)
@unless_changed
def keep_offer_terms(sent: dict[str, Any], terms_name: str) -> Response:
    """Keep terms under a name of yours, in place of those that it has.

    An offer takes them by `terms_name`. An offer that was made before does not change.
    """
    found = terms.put(terms_name, sent["currency"], sent["terms"])
    return json_response(found.answer, 201 if found.new else 200, shown_at(found.path))


@blp.route("")
@blp.authorize("inventory")
@blp.query(*PAGED)
@blp.response(200, KeptTermsPageSchema(), "A page of kept terms.", headers=LINK)
def list_offer_terms(**asked: Any) -> Response:
    """List kept terms in the order in which they were first kept, page by page.

    If there are more, the header Link leads to the next page.
    """
    found, link = terms.listed(asked)
    return json_response(found, headers=link)


@blp.route("/<string:terms_name>")
@blp.authorize("inventory")
@blp.response(200, KeptTermsSchema(), "The terms.", problems=(404,))
def show_offer_terms(terms_name: str) -> Response:
    """Show the terms that are kept under a name.

    If there are none, the answer is 404.
    """
    return json_response(terms.show(terms_name))


@blp.route("/<string:terms_name>", methods=["DELETE"])
@blp.authorize("inventory")
@blp.response(200, KeptTermsSchema(), "The terms that were removed.", problems=(404,))
@unless_changed
def remove_offer_terms(terms_name: str) -> Response:
    """Remove the terms that are kept under a name.

    The answer shows them once more.
    """
    return json_response(terms.remove(terms_name))
