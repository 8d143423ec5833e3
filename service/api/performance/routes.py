"""GET /v1/performance."""

from __future__ import annotations

from typing import Any

from flask import Response

from service.api.evidence.listing import FROM, TO
from service.api.performance import services
from service.api.performance.schemas import PerformanceSchema
from service.http.blueprint import Blueprint
from service.http.responses import json_response

blp = Blueprint(
    "performance",
    __name__,
    url_prefix="/v1",
    description="How good the service's own past valuations were, judged by the outcomes that were recorded.",
)


@blp.route("/performance")
@blp.authorize("evidence")
@blp.query(FROM, TO)
@blp.response(200, PerformanceSchema(), "The ratio study.")
def show_performance(**asked: Any) -> Response:
    """Compare past valuations with the prices paid later: a ratio study, overall and by group.

    The period is that of the sales. With fewer than five sales the figures are null, and a sentence says so.
    """
    return json_response(services.performance(asked["from"], asked["to"]))
