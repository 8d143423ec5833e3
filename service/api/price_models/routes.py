"""/v1/price-models: the price models of the store, their cards, and which one is current."""

from __future__ import annotations

from types import SimpleNamespace

from flask import Response
from marshmallow import RAISE

from service.api.price_models import changes, services
from service.api.price_models.schemas import (
    CardSchema,
    MadeChangeSchema,
    ModelChangesSchema,
    ModelEntrySchema,
    ModelsListSchema,
    PromotionSchema,
    ReasonSchema,
    dump_made_change,
)
from service.api.price_models.store import registry
from service.context import context
from service.http.blueprint import Blueprint
from service.http.hooks.conditional import NEVER_CHANGES
from service.http.responses import HTML, json_response, raw_response

blp = Blueprint(
    "models",
    __name__,
    url_prefix="/v1/price-models",
    description="The price models that make the values. The card of each says how well it did on sales that "
    "it had not seen.",
)
_PROMOTION, _REASON = PromotionSchema(unknown=RAISE), ReasonSchema(unknown=RAISE)


@blp.route("")
@blp.authorize("admin")
@blp.response(200, ModelsListSchema(), "The price models.")
def list_price_models() -> Response:
    """List all price models, with the figures of their cards.

    `current` is the version that is promoted, `serving` the one that gives the values now. If they differ,
    `refused` says why.
    """
    return json_response(services.listed())


@blp.route("/changes")
@blp.authorize("admin")
@blp.response(200, ModelChangesSchema(), "The changes.")
def list_price_model_changes() -> Response:
    """List the latest promotions and rollbacks, newest first.

    Each says which price model became current and which one it replaced, who decided, and why. At most 200
    are listed.
    """
    return json_response({"changes": services.changes()})


@blp.route("/<string:version>")
@blp.authorize("admin")
@blp.response(200, ModelEntrySchema(), "The price model.", problems=(404,))
def show_price_model(version: str) -> Response:
    """Show one price model.

    Its files are checked against their hashes, and what is wrong with them is named. The version `current`
    means the one that serves.
    """
    return json_response(services.shown(version))


@blp.route("/<string:version>/card")
@blp.authorize("admin")
@blp.response(
    200, CardSchema(), "The card, as it was written when the price model was fitted.", problems=(404, 422)
)
def show_card(version: str) -> Response:
    """Show the card of a price model, for programs.

    The card has the evidence that the price model was fitted on, its errors on later sales and the checks
    that it had to pass. The version `current` means the one that serves.
    """
    return raw_response(services.card(version, "card.json"), headers=_kept(version))


@blp.route("/<string:version>/card.html")
@blp.authorize("admin")
@blp.response(
    200, None, "The card as a page that needs nothing else.", problems=(404, 422), content_type=HTML
)
def show_card_page(version: str) -> Response:
    """Show the card of a price model as a page to read.

    The page has the figures of the card, with charts, and loads nothing from elsewhere. The version `current`
    means the one that serves.
    """
    return raw_response(services.card(version, "card.html"), headers=_kept(version), form=HTML)


@blp.route("/<string:version>/promote", methods=["POST"])
@blp.authorize("admin")
@blp.arguments(_PROMOTION)
@blp.response(200, MadeChangeSchema(), "The change.", problems=(404, 409))
def promote_price_model(reason: changes.Reason, version: str) -> Response:
    """Make a price model the current one.

    The worker that answers serves it at once, the others within a second. A price model that cannot be read
    whole is refused. So is one that the gate stopped when it was fitted, and a provisional one in place of
    one that has passed the gate, unless `force` overrides that; the override is recorded. Promoting the
    current price model again changes nothing.
    """
    return _changed(changes.promote(version, reason))


@blp.route("/<string:version>/rollback", methods=["POST"])
@blp.authorize("admin")
@blp.arguments(_REASON)
@blp.response(200, MadeChangeSchema(), "The change.", problems=(404, 409))
def roll_back_price_model(reason: changes.Reason, version: str) -> Response:
    """Take back the current price model: the one before it becomes current again.

    The version must be that of the current price model. Asking again changes nothing. After several
    promotions, several rollbacks go back one by one.
    """
    return _changed(changes.roll_back(version, reason))


def _changed(changed: changes.Changed) -> Response:
    live = context().live
    made = SimpleNamespace(
        **vars(changed.change),
        done=changed.done,
        serving=live.version,
        provisional=registry().provisional(changed.change.version),
        refused=live.refused,
    )
    return json_response(dump_made_change(made))


def _kept(version: str) -> dict[str, str]:
    return {} if version == services.CURRENT else dict(NEVER_CHANGES)
