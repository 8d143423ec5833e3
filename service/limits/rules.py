"""Counting every request that comes in, and saying in its answer what is left.

The header fields are those of draft-ietf-httpapi-ratelimit-headers-11.
"""

from __future__ import annotations

from flask import Flask, Response, g, request

from service.context import context
from service.errors import LimitError
from service.health import PATHS as HEALTH_PATHS
from service.limits.counters import Taken
from service.limits.quotas import Policy

HEADERS = {
    "RateLimit-Policy": 'the quotas of the caller: each q requests in w seconds, "key";q=6000;w=60',
    "RateLimit": 'what is left of each: r requests for the next t seconds, "key";r=5999;t=60',
}


def install(app: Flask) -> None:
    """Count every request that comes in, and say in every answer what is left."""
    app.before_request(_count)
    app.after_request(_say)


def _count() -> None:
    if request.path in HEALTH_PATHS:  # whoever watches the service must be answered whatever others do
        return
    g.taken = context().limits.take(g.caller, request.remote_addr)
    for policy, taken in g.taken:
        if not taken.allowed:
            raise LimitError(policy.name, policy.quota, context().limits.window, taken.seconds)


def _say(response: Response) -> Response:
    found: list[tuple[Policy, Taken]] = g.get("taken", [])
    if found:
        headers = response.headers
        headers["RateLimit-Policy"] = ", ".join([policy.said for policy, _ in found])
        headers["RateLimit"] = ", ".join(
            [f'"{p.name}";r={taken.left};t={taken.seconds}' for p, taken in found]
        )
    return response
