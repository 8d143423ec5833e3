"""GET /v1/models/current/card and card.html: what the current model was judged to be worth."""

from __future__ import annotations

from flask import Response

from service.models.rules import card
from service.models.schemas import CardSchema
from service.web import HTML, Noun, sent

blp = Noun(
    "models",
    __name__,
    url_prefix="/v1/models",
    description="The model that makes the values: its card says how well it did on sales it had not seen.",
)
# The page is text, its own style and its own pictures: nothing else may be loaded or run.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


@blp.route("/current/card")
@blp.needs("valuations")
@blp.gives(200, CardSchema(), "The card, as it was written when the model was fitted.", problems=(404,))
def show_card() -> Response:
    """The current model's card for programs: its evidence, its errors on later sales, what it was held to."""
    return sent(card("card.json"))


@blp.route("/current/card.html")
@blp.needs("valuations")
@blp.gives(200, None, "The card as a page that needs nothing else.", problems=(404,), content_type=HTML)
def show_card_page() -> Response:
    """The current model's card as a page to read."""
    return sent(card("card.html"), headers={"Content-Security-Policy": _POLICY}, form=HTML)
