"""/v1/catalogue/draft: add, correct and take out models for the next fit, and get the file that it takes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import Response
from marshmallow import RAISE

from service.api.catalogue.draft import services
from service.api.catalogue.draft.reading import check_names
from service.api.catalogue.draft.schemas import DraftEntrySchema, DraftModelSchema, DraftSchema
from service.http.blueprint import Blueprint, unless_changed
from service.http.hooks.conditional import SHOWN
from service.http.responses import TOML, json_response, raw_response, shown_at

blp = Blueprint(
    "catalogue draft",
    __name__,
    url_prefix="/v1/catalogue",
    description="The catalogue as the next fit is to have it: the served one, with what was added, corrected "
    "and taken out since. It changes no value before a price model that was fitted with it is promoted.",
)
_ENTRY = DraftEntrySchema(unknown=RAISE)
_MODEL = "/draft/makers/<name:maker>/models/<name:model>"


@blp.route("/draft")
@blp.authorize("requests", "admin")
@blp.response(200, DraftSchema(), "Every model, each with what became of it.")
def show_draft() -> Response:
    """Show the catalogue as the next fit is to have it, and which models differ from the served ones.

    Before a price model serves, it holds what was added here alone.
    """
    return json_response(services.listed())


@blp.route("/draft.toml")
@blp.authorize("requests", "admin")
@blp.response(200, None, "The file.", content_type=TOML)
def show_draft_file() -> Response:
    """Give the draft as the file of the catalogue that a fit takes.

    If nothing differs, it is the file that the served price model was fitted with, comments included.
    """
    headers = {"Content-Disposition": 'attachment; filename="catalogue.toml"'}
    return raw_response(services.toml(), headers=headers, form=TOML)


@blp.route(_MODEL)
@blp.authorize("requests", "admin")
@blp.response(200, DraftModelSchema(), "The model.", problems=(404,))
def show_draft_model(maker: str, model: str) -> Response:
    """Show one model as the next fit is to have it, beside what is served where that differs.

    If the draft does not have this maker or model, the answer is 404 with the nearest names.
    """
    return json_response(services.show(maker, model))


@blp.route(_MODEL, methods=["PUT"])
@blp.authorize("requests", "admin")
@blp.arguments(_ENTRY)
@blp.response(200, DraftModelSchema(), "The model as it is to be.", problems=(507,), headers=SHOWN)
@unless_changed
def change_draft_model(sent: Mapping[str, Any], maker: str, model: str) -> Response:
    """Add a model, or correct one: send it whole, as a catalogue's file would have it.

    What is left out is not known. A model that was taken out comes back. To undo a correction, send what is
    served. No value changes before a price model that was fitted with it is promoted.
    """
    check_names(maker, model)
    found = services.change(maker, model, sent)
    return json_response(found, headers=shown_at(services.path_of(found["maker"], found["name"])))


@blp.route(_MODEL, methods=["DELETE"])
@blp.authorize("requests", "admin")
@blp.response(200, DraftModelSchema(), "The model, which the next catalogue is without.", problems=(404, 507))
@unless_changed
def remove_draft_model(maker: str, model: str) -> Response:
    """Take a model out of the next catalogue.

    The served price model keeps it until another one is promoted. A fit leaves out evidence of models that
    the catalogue does not have.
    """
    return json_response(services.take_out(maker, model))
