"""Refuse a JSON body that has a name twice in one object, or is nested too deeply."""

from __future__ import annotations

from typing import Any

from models.tables import strict_json
from service.errors import BodyError

TOO_DEEP = f"The body cannot be read: {strict_json.TOO_DEEP}."


def check_names(text: bytes, data: Any) -> None:
    """Raise BodyError if an object in the text has a name twice, or objects are nested too deeply.

    `data`: the parsed text.
    """
    try:
        strict_json.check_once(text, data)
    except strict_json.UnclearJsonError as error:
        raise BodyError(f"The body cannot be read: {error}.") from None
