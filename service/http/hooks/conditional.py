"""Conditional requests: an answer that the caller has already is not sent again (RFC 9110, section 13).

Every answer to GET or HEAD that is not streamed has a strong ETag. It is a digest of the answer's bytes, so
it changes only when they do: after a promotion, a change of a record, or an update of the program. A streamed
answer has the one that its view gives it, if any. An answer to another method has one if its body is what GET
gives at the address that its Content-Location names.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from flask import Response, g, request
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
        header_parameter("If-None-Match", "the ETag of an answer that you have: 304 if it has not changed")
    ],
    "responses": {
        "200": {
            "headers": {
                "ETag": {"description": "changes when the answer does", "schema": {"type": "string"}},
                "Cache-Control": {
                    "description": "whether and how long a cache may keep it",
                    "schema": {"type": "string"},
                },
            }
        },
        "304": {"description": "The answer that you have has not changed."},
        "412": "PRECONDITION_FAILED",
    },
}
_ASK_AGAIN = "private, no-cache"  # caches must ask again each time, so that they see a promotion at once


IF_MATCH: Mapping[str, Any] = {
    "parameters": [
        header_parameter("If-Match", "the ETag of what you are about to change: 412 if it has changed since")
    ],
    "responses": {"412": "PRECONDITION_FAILED"},
}


IF_NONE_MATCH: Mapping[str, Any] = {
    "parameters": [
        header_parameter("If-None-Match", "*: 412 if it is there already; an ETag: 412 if it is as that says")
    ],
    "responses": {"412": "PRECONDITION_FAILED"},
}


SHOWN: Mapping[str, str] = {
    "ETag": "the tag of what the answer shows, to be sent as If-Match with the next change",
    "Content-Location": "the path at which GET gives what the answer shows",
}
MADE: Mapping[str, str] = {"Location": "the path of it", **SHOWN}


def add_etag(response: Response) -> Response:
    """Add the ETag to the answer; or answer 304 or 412 if the request's tags say so."""
    headers = response.headers
    if response.status_code in (200, 201, 202) and "Content-Location" in headers:
        response.set_etag(tag_of(response.get_data()))
        return response
    if request.method not in ("GET", "HEAD") or response.status_code != 200:
        return response
    if response.is_streamed and "ETag" not in headers:
        return response
    if request.path in NEVER_KEPT:
        return response
    headers.setdefault("Cache-Control", _ASK_AGAIN)
    tag = response.get_etag()[0] or tag_of(response.get_data())
    response.set_etag(tag)
    if request.environ.get("HTTP_IF_MATCH") and not _matches(tag):
        return problem(BY_STATUS[412], BY_STATUS[412].remedy)
    had = _had(tag)
    if had is not None:
        # A 304 keeps the headers that a cache needs, and has no body.
        response.set_etag(had)
        response.status_code = 304
        response.set_data(b"")
        del headers["Content-Type"], headers["Content-Length"]
    return response


def expect(tag: str) -> None:
    """Let the next change of this request be refused unless it finds this state, as If-Match does.

    For forms, which cannot send a header. Changes after the next one see what that one made.
    """
    g.expected = tag


def check_unchanged(now: bytes | None) -> None:
    """Raise werkzeug's PreconditionFailed if the request's If-Match names another state.

    `now`: the answer that shows the present state, None if there is nothing yet.
    """
    expected = g.pop("expected", None)
    if expected is not None and (now is None or tag_of(now) != expected):
        raise PreconditionFailed
    if request.environ.get("HTTP_IF_MATCH") and (now is None or not _matches(tag_of(now))):
        raise PreconditionFailed


def check_absent(now: bytes | None) -> None:
    """Raise werkzeug's PreconditionFailed if the request's If-None-Match names the present state, or any.

    `now`: the answer that shows the present state, None if there is nothing yet.
    """
    if now is not None and request.environ.get("HTTP_IF_NONE_MATCH") and _had(tag_of(now)) is not None:
        raise PreconditionFailed


def compressed_tag(tag: str) -> str:
    """Return the tag of the same answer in its compressed form, whose bytes are others."""
    return f"{tag}-gzip"


def _matches(tag: str) -> bool:
    return any(request.if_match.contains(one) for one in (tag, compressed_tag(tag)))


def _had(tag: str) -> str | None:
    """Return the tag of the form that the caller has already, None if it has neither."""
    if not request.environ.get("HTTP_IF_NONE_MATCH"):
        return None
    forms = (tag, compressed_tag(tag))
    return next((one for one in forms if request.if_none_match.contains_weak(one)), None)


def tag_of(body: bytes) -> str:
    """Return a digest of these bytes for an ETag."""
    return hashlib.blake2b(body, digest_size=16).hexdigest()
