"""GET /healthz: the process answers. GET /readyz: whether it can value and keep, and if not why."""

from __future__ import annotations

from flask import Response, g

from service.api.health.schemas import AliveSchema, ReadySchema
from service.api.health.services import checks
from service.http.blueprint import Blueprint
from service.http.responses import json_response
from service.problems import NOT_READY, problem

blp = Blueprint(
    "health", __name__, description="Whether the service is running and can answer. No key is needed."
)


@blp.route("/healthz")
@blp.response(200, AliveSchema(), "The process is running.")
def show_health() -> Response:
    """Say that the process is running.

    Nothing else is checked: /readyz says whether the service can value instruments. These requests count
    towards no limit.
    """
    return json_response({"status": "alive"})


@blp.route("/readyz")
@blp.response(
    200, ReadySchema(), "The service can value instruments and keep the answers.", problems=(429, 503)
)
def show_readiness() -> Response:
    """Say whether the service can value instruments and keep the answers.

    It can if a price model is loaded, the database answers and is migrated, and the disk has room for
    records. Otherwise the answer is 503. With a key that has the scope metrics or admin, each check is shown,
    and also if a newer price model was refused while the old one goes on serving. Without a key, these
    requests count towards no limit.
    """
    found = checks()
    details = {"checks": found} if _may_see_details() else {}
    wrong = [name for name, check in found.items() if not check["ok"]]
    if not wrong:
        return json_response({"status": "ready", **details})
    if details:
        return problem(NOT_READY, f"Not in order: {' and '.join(wrong)}; see checks.", details)
    return problem(NOT_READY, "A key with the scope metrics or admin is told what is wrong.")


def _may_see_details() -> bool:
    # Versions, free bytes and faults are for the operator: they would tell a stranger where to begin.
    caller = g.caller
    return caller is not None and not caller.scopes.isdisjoint(("metrics", "admin"))
