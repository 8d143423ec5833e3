"""GET and PUT /v1/specialist: what reports and e-mails say in the specialist's name."""

from __future__ import annotations

from flask import Response

from service.api.specialist import services
from service.api.specialist.schemas import SETTINGS_REQUEST, SpecialistSchema
from service.http.blueprint import Blueprint, unless_changed
from service.http.hooks.conditional import SHOWN
from service.http.responses import json_response, shown_at

blp = Blueprint(
    "specialist",
    __name__,
    url_prefix="/v1/specialist",
    description="What the specialist says once for all reports: name, qualifications, certification.",
)


@blp.route("")
@blp.authorize("requests")
@blp.response(200, SpecialistSchema(), "The settings.")
def show_specialist() -> Response:
    """Show the specialist's settings.

    Beside them stand texts that the service offers, and what reports still need.
    """
    return json_response(services.show())


@blp.route("", methods=["PUT"])
@blp.authorize("requests")
@blp.arguments(SETTINGS_REQUEST)
@blp.response(200, SpecialistSchema(), "The settings as they stand now.", headers=SHOWN)
@unless_changed
def change_specialist(sent: dict[str, str | None]) -> Response:
    """Replace the specialist's settings, all of them.

    The certification is the specialist's own: nothing of what the service offers counts before it is sent
    here. A report that was issued before keeps what it says.
    """
    return json_response(services.replace(sent), headers=shown_at("/v1/specialist"))
