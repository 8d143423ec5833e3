"""GET /v1/vocabulary: enough to build a form from."""

from __future__ import annotations

from flask import Response

from service.api.vocabulary.schemas import VocabularySchema
from service.api.vocabulary.services import vocabulary
from service.http.blueprint import Blueprint
from service.http.responses import json_response

blp = Blueprint(
    "vocabulary",
    __name__,
    url_prefix="/v1",
    description="Every field of an instrument, its terms and what they mean.",
)


@blp.route("/vocabulary")
@blp.authorize("valuations", "evidence", forms=True)
@blp.response(200, VocabularySchema(), "Every field, and the words that requests and answers use.")
def show_vocabulary() -> Response:
    """List the fields of an instrument with their terms, and the words that answers use.

    Enough to build a form from: each field has its JSON path, its flat name (as CSV columns are named), type,
    label, meaning, allowed terms with their meanings and bounds, and says whether its terms run from best to
    worst.
    """
    return json_response(vocabulary())
