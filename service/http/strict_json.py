"""A body with a name twice in one object, or nested too deeply, is refused (`models.tables.strict_json`)."""

from __future__ import annotations

from typing import Any

from models.tables import strict_json
from service.errors import BodyError

TOO_DEEP = f"The body cannot be read: {strict_json.TOO_DEEP}."


def check_names(text: bytes, data: Any) -> None:
    """Raises BodyError if an object in the text has a name twice, or objects are nested too deeply.

    `data`: what a parser read from it.
    """
    try:
        strict_json.check_once(text, data)
    except strict_json.UnclearJsonError as error:
        raise BodyError(f"The body cannot be read: {error}.") from None
