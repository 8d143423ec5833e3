"""Parse a JSON body or line; refuse a name twice in one object, and what is too deep or too wide."""

from __future__ import annotations

from typing import Any

import orjson

from models.tables import strict_json
from service.errors import BodyError

_TOO_DEEP = f"The body cannot be read: {strict_json.TOO_DEEP}."


def parse(text: bytes) -> Any:
    """Parse the text. Raises BodyError for unclear JSON, orjson.JSONDecodeError for what is no JSON."""
    try:
        return strict_json.parse(text)
    except orjson.JSONDecodeError as error:
        # The parser's own limits of depth and memory are far beyond ours, so such a body is too deep.
        if str(error).startswith(("depth limit", "failed to allocate")):
            raise BodyError(_TOO_DEEP) from None
        raise
    except strict_json.UnclearJsonError as error:
        raise BodyError(f"The body cannot be read: {error}.") from None
