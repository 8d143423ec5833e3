"""HTTP responses, and the media types that they can have."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import orjson
from flask import Response

JSON, SVG, HTML, TEXT = "application/json", "image/svg+xml", "text/html", "text/plain"
PDF = "application/pdf"
UNSTORED = {"Cache-Control": "no-store"}  # no cache may keep the answer
# Nor is a secret compressed, whose length could tell of it (`service.http.hooks.answer_compression`).
SECRET = {"Cache-Control": "no-store, no-transform"}
CSV, NDJSON = "text/csv", "application/x-ndjson"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def json_response(data: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Return a response with the data as JSON."""
    return raw_response(orjson.dumps(data), status, headers)


def raw_response(
    body: bytes | str, status: int = 200, headers: Mapping[str, str] | None = None, form: str = JSON
) -> Response:
    """Return a response with this body unchanged. `form`: its media type."""
    return Response(body, status, headers, mimetype=form)


def shown_at(path: str, *, new: bool = False) -> dict[str, str]:
    """Return the headers of an answer whose body is what GET gives at this path. `new`: it was just made.

    `service.http.hooks.conditional` adds the ETag.
    """
    return {"Content-Location": path, **({"Location": path} if new else {})}
