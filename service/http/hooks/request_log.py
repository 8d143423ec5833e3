"""Give each request its ids, a line in the log and a count, without personal data: no serials, no addresses.

A line has the request's ids, method, pattern of the path, status, time, the key's id and the price model.
"""

from __future__ import annotations

import time

from flask import Response, g, request

from service.context import context
from service.http.hooks.tracing import names_of
from service.server.logs import Requests, log_failure, rendered

HEADER = "X-Request-ID"


def begin() -> None:
    """Give the request its ids, and note when it began."""
    g.names = names = names_of(request.environ)
    g.request_id = names.request_id
    g.began = time.perf_counter()


def end(response: Response) -> Response:
    """Add the request's id to the answer, write the request's line to the log, and count it."""
    response.headers.add(HEADER, g.request_id)
    failure = g.get("failure")
    if failure is not None:
        log_failure(failure)
    seconds, problem = time.perf_counter() - g.began, g.get("problem")
    rule, method = request.url_rule, request.method
    route = rule.rule if rule else ""
    context().figures.answered(route, method, response.status_code, seconds, problem)
    if Requests.lines is not None:
        caller, bundle = g.get("caller"), g.get("bundle")
        line = {
            "event": "request",
            **g.names._asdict(),
            "method": method,
            "route": route or None,
            "status": response.status_code,
            "problem": problem,
            "ms": round(seconds * 1000, 2),
            "key": caller.key_id if caller else None,
            "model_version": bundle.version if bundle else None,
        }
        # The line is written directly, because the logger's own steps take longer than all of this.
        Requests.lines.msg(rendered(None, "info", line))
    return response
