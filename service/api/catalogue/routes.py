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
    description="Makers, models and editions: what a form's menus need. Names match without regard to case, "
    "accents and surplus spaces; one that ends like a path below it, in /models say, stands in the whole "
    "catalogue only.",
)
_MODEL = "/makers/<name:maker>/models/<name:model>"


@blp.route("")
@blp.authorize("valuations", forms=True)
@blp.response(200, CatalogueSchema(), "Every maker with every model.")
def show_catalogue() -> Response:
    """Everything at once: makers, models, editions, finishes and watchpoints."""
    return json_response(services.whole())


@blp.route("/makers")
@blp.authorize("valuations", forms=True)
@blp.response(200, MakersSchema(), "The makers.")
def list_makers() -> Response:
    """The makers, with the names of their models."""
    return json_response({"makers": services.makers()})


@blp.route("/makers/<name:maker>")
@blp.authorize("valuations", forms=True)
@blp.response(200, MakerSchema(), "The maker.", problems=(404,))
def show_maker(maker: str) -> Response:
    """One maker, with the names of its models."""
    return json_response(services.maker(maker))


@blp.route("/makers/<name:maker>/models")
@blp.authorize("valuations", forms=True)
@blp.response(200, ModelsSchema(), "The models.", problems=(404,))
def list_models(maker: str) -> Response:
    """The models of one maker, with all that is known of them."""
    return json_response({"models": services.models(maker)})


@blp.route(_MODEL)
@blp.authorize("valuations", forms=True)
@blp.response(200, ModelSchema(), "The model.", problems=(404,))
def show_model(maker: str, model: str) -> Response:
    """One model, with all that is known of it."""
    return json_response(services.model(maker, model))


@blp.route(f"{_MODEL}/editions")
@blp.authorize("valuations", forms=True)
@blp.response(200, EditionsSchema(), "The editions.", problems=(404,))
def list_editions(maker: str, model: str) -> Response:
    """The limited and commemorative editions of one model."""
    return json_response({"editions": services.model(maker, model)["editions"]})


@blp.route(f"{_MODEL}/finishes")
@blp.authorize("valuations", forms=True)
@blp.response(200, FinishesSchema(), "The finishes.", problems=(404,))
def list_finishes(maker: str, model: str) -> Response:
    """The finishes that one model was offered in."""
    return json_response({"finishes": services.model(maker, model)["finishes"]})


@blp.route(f"{_MODEL}/watchpoints")
@blp.authorize("valuations", forms=True)
@blp.response(200, WatchpointsSchema(), "The watchpoints.", problems=(404,))
def list_watchpoints(maker: str, model: str) -> Response:
    """List what a careful buyer checks on one model."""
    return json_response({"watchpoints": services.model(maker, model)["watchpoints"]})
