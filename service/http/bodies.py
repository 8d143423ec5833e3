"""The body of a request as a JSON object, and what a schema reads from it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import orjson
from flask import request
from marshmallow import Schema, ValidationError
from werkzeug.exceptions import RequestEntityTooLarge

from service.context import context
from service.errors import BodyError, ContentTypeError, FaultyRequestError
from service.faults import from_marshmallow
from service.http.responses import JSON
from service.http.strict_json import TOO_DEEP, check_names


def is_json(kind: str) -> bool:
    """Say whether this media type is JSON."""
    return kind == JSON or kind.endswith("+json")


def read_object() -> dict[str, Any]:
    """The body as a JSON object. Raises ContentTypeError, BodyError; werkzeug raises for its size."""
    kind = request.content_type
    if kind != JSON and not is_json(kind := request.mimetype):
        raise ContentTypeError(f"The body is {kind or 'of no stated type'}; send it as {JSON}.")
    body = _body()
    try:
        data = orjson.loads(body)
    except orjson.JSONDecodeError as error:
        # The parser meets its own limits far beyond ours: of depth, and of memory for what never ends.
        deep = str(error).startswith(("depth limit", "failed to allocate"))
        raise BodyError(TOO_DEEP if deep else f"The body is not JSON: {error}.") from None
    if not isinstance(data, dict):
        raise BodyError("The body is JSON, but not an object; it must start with { and end with }.")
    check_names(body, data)
    return data


def _body() -> bytes:
    data = request.get_data()
    # A body in chunks says no length, and is cut off without a word at what the application reads at most.
    if len(data) > context().settings.body_limit:
        raise RequestEntityTooLarge
    return data


def load(schema: Schema, data: Mapping[str, Any]) -> Any:
    """Load the data by the schema. Raises FaultyRequestError with every fault."""
    try:
        return schema.load(data)
    except ValidationError as error:
        raise FaultyRequestError(from_marshmallow(_messages(error), data, schema)) from None


def _messages(error: ValidationError) -> dict[str, Any]:
    return error.messages if isinstance(error.messages, dict) else {"": error.messages}
