"""GET /v1/catalogue and below: makers, their models, and the editions, finishes and watchpoints of each."""

from __future__ import annotations

from flask import Response

from service.api.catalogue import services
from service.api.catalogue.schemas import (
    CatalogueSchema,
    EditionsSchema,
    FinishesSchema,
    MakerSchema,
    MakersSchema,
    ModelSchema,
    ModelsSchema,
    WatchpointsSchema,
)
from service.http.blueprint import Blueprint
from service.http.responses import json_response

blp = Blueprint(
    "catalogue",
    __name__,
    url_prefix="/v1/catalogue",
    description="Makers, models and editions: what the menus of a form need. Names match without regard to "
    "case, accents and surplus spaces. A name that ends like a path below it, for instance in /models, has "
    "no path of its own: read it from the whole catalogue.",
)
_MODEL = "/makers/<name:maker>/models/<name:model>"


@blp.route("")
@blp.authorize("valuations", "evidence", forms=True)
@blp.response(200, CatalogueSchema(), "Every maker with every model.")
def show_catalogue() -> Response:
    """Show the whole catalogue: makers, models, editions, finishes and watchpoints.

    One answer fills all the menus of a form. It changes only when another price model is promoted, so send
    its ETag as If-None-Match: an unchanged catalogue is not sent again.
    """
    return json_response(services.whole())


@blp.route("/makers")
@blp.authorize("valuations", "evidence", forms=True)
@blp.response(200, MakersSchema(), "The makers.")
def list_makers() -> Response:
    """List the makers, with the names of their models.

    Enough for the first two menus of a form. Requests and answers use the same names.
    """
    return json_response({"makers": services.makers()})


@blp.route("/makers/<name:maker>")
@blp.authorize("valuations", "evidence", forms=True)
@blp.response(200, MakerSchema(), "The maker.", problems=(404,))
def show_maker(maker: str) -> Response:
    """Show one maker, with the names of its models.

    If the catalogue does not have this maker, the answer is 404 with the nearest names.
    """
    return json_response(services.maker(maker))


@blp.route("/makers/<name:maker>/models")
@blp.authorize("valuations", "evidence", forms=True)
@blp.response(200, ModelsSchema(), "The models.", problems=(404,))
def list_models(maker: str) -> Response:
    """List the models of one maker, with everything known about them.

    Each model has its years of production, its body, its finishes, its editions and its watchpoints. What is
    not known is null.
    """
    return json_response({"models": services.models(maker)})


@blp.route(_MODEL)
@blp.authorize("valuations", "evidence", forms=True)
@blp.response(200, ModelSchema(), "The model.", problems=(404,))
def show_model(maker: str, model: str) -> Response:
    """Show one model, with everything known about it.

    If the catalogue does not have this maker or model, the answer is 404 with the nearest names.
    """
    return json_response(services.model(maker, model))


@blp.route(f"{_MODEL}/editions")
@blp.authorize("valuations", "evidence", forms=True)
@blp.response(200, EditionsSchema(), "The editions.", problems=(404,))
def list_editions(maker: str, model: str) -> Response:
    """List the limited and commemorative editions of one model.

    The list is empty if the catalogue has none. Production totals come from the makers' own records, which
    can be too low.
    """
    return json_response({"editions": services.model(maker, model)["editions"]})


@blp.route(f"{_MODEL}/finishes")
@blp.authorize("valuations", "evidence", forms=True)
@blp.response(200, FinishesSchema(), "The finishes.", problems=(404,))
def list_finishes(maker: str, model: str) -> Response:
    """List the finishes that one model was offered in.

    Each has its share of the production, if that is known or was estimated. An instrument in another finish
    is still valued, with a caution.
    """
    return json_response({"finishes": services.model(maker, model)["finishes"]})


@blp.route(f"{_MODEL}/watchpoints")
@blp.authorize("valuations", "evidence", forms=True)
@blp.response(200, WatchpointsSchema(), "The watchpoints.", problems=(404,))
def list_watchpoints(maker: str, model: str) -> Response:
    """List what a careful buyer checks on one model.

    Each watchpoint names a part and what to look for there. Watchpoints change no value.
    """
    return json_response({"watchpoints": services.model(maker, model)["watchpoints"]})
