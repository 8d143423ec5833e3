"""Names that stand twice in one JSON object: which of the two was meant is not for us to guess.

A parser keeps the last one without a word. The fast check counts names in the text and in what was read from
it; only where the counts differ is the text read again to say which name it is.
"""

from __future__ import annotations

import json
import re
from typing import Any

from service.errors import BodyError

DEEPEST = 32  # objects and lists in one another: more than any body of ours has
TOO_DEEP = f"The body is nested too deeply: {DEEPEST} objects and lists in one another are the most."
_NAME = re.compile(rb'"\s*:')


def check_names(text: bytes, data: dict[str, Any]) -> None:
    """Raises BodyError if an object in the text has a name twice, or objects are nested too deeply.

    `data`: what a parser read from it.
    """
    if len(_NAME.findall(text)) == _count(data):
        return
    # A quote and a colon can also stand inside a text.
    json.loads(text, object_pairs_hook=_once)


def _count(data: Any) -> int:
    count, level = 0, [data]
    for _ in range(DEEPEST + 1):
        below: list[Any] = []
        for value in level:
            if isinstance(value, dict):
                count += len(value)
                below.extend(value.values())
            elif isinstance(value, list):
                below.extend(value)
        if not below:
            return count
        level = below
    raise BodyError(TOO_DEEP)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    data = dict(pairs)
    if len(data) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise BodyError(f"{twice[:80]!r} stands twice in one object of the body.")
    return data
