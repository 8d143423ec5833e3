"""Read the body of a request as a JSON object, and load it by a schema."""

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
from service.http.strict_json import parse


def is_json(kind: str) -> bool:
    """Say whether this media type is JSON."""
    return kind == JSON or kind.endswith("+json")


def read_object() -> dict[str, Any]:
    """Read the body as a JSON object. Raises ContentTypeError, BodyError, or RequestEntityTooLarge."""
    kind = request.content_type
    if kind != JSON and not is_json(kind := request.mimetype):
        raise ContentTypeError(f"The body is {kind or 'of no stated type'}; send it as {JSON}.")
    body = _body()
    try:
        data = parse(body)
    except orjson.JSONDecodeError as error:
        raise BodyError(f"The body is not JSON: {error}.") from None
    if not isinstance(data, dict):
        raise BodyError("The body is JSON, but not an object; it must start with { and end with }.")
    return data


def _body() -> bytes:
    data = request.get_data()
    # A chunked body has no stated length, and Flask cuts it off silently at MAX_CONTENT_LENGTH.
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
