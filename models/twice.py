"""Names that stand twice in one JSON object: which of the two was meant is not for us to guess.

A parser keeps the last one without a word. The fast check counts names in the text and in what was read from
it; only where the counts differ is the text read again to say which name it is.
"""

from __future__ import annotations

import json
import re
from typing import Any

_NAME = re.compile(rb'"\s*:')
_SHOWN = 80  # characters of a name that are said back


class NameTwiceError(ValueError):
    """A name stands twice in one object, or the text is nested too deeply to tell."""


def check_once(text: bytes, data: Any) -> None:
    """Raises NameTwiceError if an object in the text has a name twice. `data`: what a parser read from it."""
    if len(_NAME.findall(text)) == _count(data):
        return
    # A quote and a colon can also stand inside a text.
    try:
        json.loads(text, object_pairs_hook=_once)
    except RecursionError:
        raise NameTwiceError("it is nested too deeply") from None


def _count(data: Any) -> int:
    count, left = 0, [data]
    while left:
        value = left.pop()
        if isinstance(value, dict):
            count += len(value)
            left.extend(value.values())
        elif isinstance(value, list):
            left.extend(value)
    return count


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    data = dict(pairs)
    if len(data) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise NameTwiceError(f"{twice[:_SHOWN]!r} stands twice in one object")
    return data
