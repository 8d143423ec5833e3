"""GET /metrics. It needs a key with the scope metrics, since behind a proxy all callers seem to be local."""

from __future__ import annotations

from flask import Response

from service.api.metrics.services import exposition
from service.http.blueprint import Blueprint
from service.http.responses import TEXT, raw_response

blp = Blueprint(
    "metrics", __name__, description="Counts of requests and answers, for monitoring with Prometheus."
)


@blp.route("/metrics")
@blp.authorize("metrics")
@blp.response(200, None, "The figures, in Prometheus' text format 0.0.4.", content_type=TEXT)
def show_metrics() -> Response:
    """Show counts of requests and answers, for monitoring.

    They cover all workers since the service was started: requests by path, method and status; how long they
    took; problems by kind; instruments valued by the amount of evidence behind them; which price model
    serves, when it was fitted, and whether a newer one was refused; attempts to deliver to webhooks, by their
    end, and webhooks by their state.
    """
    return raw_response(exposition(), form=f"{TEXT}; version=0.0.4")
