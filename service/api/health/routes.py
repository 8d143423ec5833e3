"""GET /healthz: the process answers. GET /readyz: whether it can value and keep, and if not why."""

from __future__ import annotations

from flask import Response

from service.api.health.schemas import AliveSchema, ReadySchema
from service.api.health.services import checks
from service.http.blueprint import Blueprint
from service.http.responses import json_response
from service.problems import NOT_READY, problem

blp = Blueprint("health", __name__, description="Whether the service lives and can answer. No key is needed.")


@blp.route("/healthz")
@blp.response(200, AliveSchema(), "The process answers.")
def show_health() -> Response:
    """Answer, to show that the process lives; nothing else is checked."""
    return json_response({"status": "alive"})


@blp.route("/readyz")
@blp.response(200, ReadySchema(), "Everything that an answer needs is there.", problems=(503,))
def show_readiness() -> Response:
    """Check that a price model is loaded, the database answers and is migrated, and records have room.

    A new model that is refused while the old one keeps serving is named here too.
    """
    found = checks()
    if all(check["ok"] for check in found.values()):
        return json_response({"status": "ready", "checks": found})
    wrong = " and ".join(name for name, check in found.items() if not check["ok"])
    return problem(NOT_READY, f"Not in order: {wrong}; see checks.", {"checks": found})
