"""CORS: a page of another origin may read answers only if a website key names its origin.

There is nothing to configure. A preflight request carries no key, so it is allowed for every origin that any
website key names; `authentication` then checks that the key of the real request belongs to its origin. Only
paths that a form needs are open.
"""

from __future__ import annotations

from flask import Response, current_app, request

from service.context import context

_PREFIX = "/v1/"
_SENT = (
    "Authorization",
    "Content-Type",
    "Idempotency-Key",
    "If-None-Match",
    "Proof-Of-Work",
    "X-Request-ID",
    "traceparent",
    "tracestate",
)
_READ = ("ETag", "Location", "RateLimit", "RateLimit-Policy", "Retry-After", "X-Request-ID")
_KEPT_SECONDS = 600  # time for which a browser may trust a preflight; short, since keys get revoked
_ASKED = ("Access-Control-Request-Method", "Access-Control-Request-Headers")


def answer_preflight() -> Response | None:
    """Answer a preflight from an origin that may ask."""
    if request.method != "OPTIONS" or _ASKED[0] not in request.headers:
        return None
    methods = _open_methods()
    if not methods or not _may_read():
        return None  # Flask then gives its usual answer to OPTIONS, or 404
    answer = Response(status=204)
    answer.headers["Access-Control-Allow-Methods"] = ", ".join(methods)
    answer.headers["Access-Control-Allow-Headers"] = ", ".join(_SENT)
    answer.headers["Access-Control-Max-Age"] = str(_KEPT_SECONDS)
    del answer.headers["Content-Type"]
    return answer


def add_headers(response: Response) -> Response:
    """Add the headers that allow the request's origin to read the answer, if it may."""
    if not request.path.startswith(_PREFIX):
        return response
    # Vary is on every answer, so that no cache gives one origin's answer to another.
    if "Vary" in response.headers:
        response.vary.add("Origin")
    else:
        response.headers["Vary"] = "Origin"  # the same, without parsing the header
    preflight = request.method == "OPTIONS"
    if preflight:
        response.vary.update(_ASKED)
    if _may_read() and _open_methods():
        response.headers["Access-Control-Allow-Origin"] = request.headers["Origin"]
        if not preflight:
            response.headers["Access-Control-Expose-Headers"] = ", ".join(_READ)
    return response


def _may_read() -> bool:
    origin = request.environ.get("HTTP_ORIGIN")
    return origin is not None and origin in context().callers.origins()


def _open_methods() -> list[str]:
    """Return the methods of this path that a website key may use."""
    if request.url_rule is None:
        return []
    found: set[str] = set()
    for rule in current_app.url_map.iter_rules():
        if rule.rule == request.url_rule.rule and getattr(
            current_app.view_functions[rule.endpoint], "forms", False
        ):
            found |= rule.methods or set()
    return sorted(found - {"OPTIONS"})
