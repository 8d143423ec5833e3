"""Conditional requests: what a caller has already is not sent again (RFC 9110, section 13).

Every answer to GET or HEAD that is whole when it leaves has a strong ETag, a digest of its bytes: it changes
when they do, whether by a promotion, a record that was changed or another program, and never otherwise.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from flask import Response, request
from werkzeug.exceptions import PreconditionFailed

from service.problems import BY_STATUS, problem

NEVER_CHANGES = {"Cache-Control": "private, max-age=31536000, immutable"}
NEVER_KEPT = ("/healthz", "/readyz", "/metrics")  # true of this moment alone


def header_parameter(name: str, text: str, **schema: Any) -> dict[str, Any]:
    """A header that a request can have, as the OpenAPI document has it."""
    return {
        "name": name,
        "in": "header",
        "required": False,
        "description": text,
        "schema": {"type": "string", **schema},
    }


DESCRIBED: Mapping[str, Any] = {
    "parameters": [
        header_parameter(
            "If-None-Match", "the ETag of an answer that the caller has: 304 if it is still the same"
        )
    ],
    "responses": {
        "200": {
            "headers": {
                "ETag": {"description": "changes when the answer does", "schema": {"type": "string"}},
                "Cache-Control": {"description": "how long it may be kept", "schema": {"type": "string"}},
            }
        },
        "304": {"description": "What the caller has is still the same."},
        "412": "PRECONDITION_FAILED",
    },
}
_ASK_AGAIN = "private, no-cache"  # kept, and asked for again each time: a promotion is seen at once


IF_MATCH: Mapping[str, Any] = {
    "parameters": [
        header_parameter(
            "If-Match", "the ETag of what is to be changed: 412 if somebody else changed it since"
        )
    ],
    "responses": {"412": "PRECONDITION_FAILED"},
}


def add_etag(response: Response) -> Response:
    """Give the answer its ETag; or answer 304 or 412, as the request's own tags demand."""
    if request.method not in ("GET", "HEAD") or response.status_code != 200 or response.is_streamed:
        return response
    headers = response.headers
    if request.path in NEVER_KEPT:
        headers["Cache-Control"] = "no-store"
        return response
    headers.setdefault("Cache-Control", _ASK_AGAIN)
    tag = _tag(response.get_data())
    response.set_etag(tag)
    if request.environ.get("HTTP_IF_MATCH") and not request.if_match.contains(tag):
        return problem(BY_STATUS[412], BY_STATUS[412].remedy)
    if request.environ.get("HTTP_IF_NONE_MATCH") and request.if_none_match.contains_weak(tag):
        # A 304 has the headers by which a cache updates what it holds, and no body.
        response.status_code = 304
        response.set_data(b"")
        del headers["Content-Type"], headers["Content-Length"]
    return response


def check_unchanged(now: bytes) -> None:
    """Raises werkzeug's PreconditionFailed if the request was made of another state than this answer's."""
    if request.environ.get("HTTP_IF_MATCH") and not request.if_match.contains(_tag(now)):
        raise PreconditionFailed


def _tag(body: bytes) -> str:
    return hashlib.blake2b(body, digest_size=16).hexdigest()
