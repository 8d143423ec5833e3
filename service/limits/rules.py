"""Counting every request that comes in, and saying in its answer what is left.

The header fields are those of draft-ietf-httpapi-ratelimit-headers-11.
"""

from __future__ import annotations

from flask import Response

from service.context import Exchange
from service.errors import LimitError
from service.health import PATHS as HEALTH_PATHS
from service.limits.counters import Taken
from service.limits.quotas import Policy

HEADERS = {
    "RateLimit-Policy": 'the quotas of the caller: each q requests in w seconds, "key";q=6000;w=60',
    "RateLimit": 'what is left of each: r requests for the next t seconds, "key";r=5999;t=60',
}


def count(now: Exchange) -> None:
    """Count the request. Raises LimitError."""
    asked, have, parts = now
    if asked.path in HEALTH_PATHS:  # whoever watches the service must be answered whatever others do
        return
    have.taken = parts.limits.take(have.caller, asked.remote_addr)
    for policy, taken in have.taken:
        if not taken.allowed:
            raise LimitError(policy.name, policy.quota, parts.limits.window, taken.seconds)


def say(now: Exchange, response: Response) -> Response:
    """Say in the answer what is left."""
    found: list[tuple[Policy, Taken]] = now.have.get("taken", [])
    if found:
        headers = response.headers
        headers.add("RateLimit-Policy", ", ".join([policy.said for policy, _ in found]))
        said = [f'"{policy.name}";r={taken.left};t={taken.seconds}' for policy, taken in found]
        headers.add("RateLimit", ", ".join(said))
    return response
