"""Count every request against its caller's quotas, and say in the answer how many requests are left.

The header fields are those of draft-ietf-httpapi-ratelimit-headers-11.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Response, current_app, g, request

from service.context import context
from service.errors import LimitError
from service.http.hooks.authentication import from_elsewhere, is_monitoring
from service.server.counters import Taken
from service.server.quotas import Policy

HEADERS = {
    "RateLimit-Policy": 'your limits, each q requests in w seconds: "key";q=6000;w=60',
    "RateLimit": 'what is left of each, r requests for the next t seconds: "key";r=5999;t=60',
}


def uncounted(view: Callable[..., Any]) -> Callable[..., Any]:
    """Let this view count towards no limit: its answers are constant, and cost no more than a refusal."""
    view.__dict__["uncounted"] = True
    return view


def _is_uncounted() -> bool:
    return getattr(current_app.view_functions.get(request.endpoint or ""), "uncounted", False)


def count() -> None:
    """Count the request against the caller's quotas. Raises LimitError if one is used up."""
    if is_monitoring() or _is_uncounted():  # health must be told at any load
        return
    limits = context().limits
    # Whoever copies a key from a page must not use up the quota of that page's own visitors.
    g.taken = limits.take(None if from_elsewhere(g.caller) else g.caller, request.remote_addr)
    for policy, taken in g.taken:
        if not taken.allowed:
            raise LimitError(policy.name, policy.quota, limits.window, taken.seconds)


def add_headers(response: Response) -> Response:
    """Add headers that say how many requests are left under each quota."""
    found: list[tuple[Policy, Taken]] = g.get("taken", [])
    if found:
        headers = response.headers
        headers.add("RateLimit-Policy", ", ".join([policy.header for policy, _ in found]))
        left = [f'"{policy.name}";r={taken.left};t={taken.seconds}' for policy, taken in found]
        headers.add("RateLimit", ", ".join(left))
    return response
