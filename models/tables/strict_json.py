"""JSON that is not clear: a name that stands twice in one object, or objects nested too deeply.

Nobody can tell which of two was meant, and a parser keeps the last one without a word. The fast check
counts names in the text and in what was read from it; where the counts differ the text is read again.
"""

from __future__ import annotations

import json
import re
from typing import Any

DEEPEST = 32  # objects and lists in one another: more than anything of ours has
TOO_DEEP = f"it is nested too deeply: {DEEPEST} objects and lists in one another are the most"
_NAME = re.compile(rb'"\s*:')
_GAPS = (b'" ', b'"\n', b'"\r', b'"\t')
_SHOWN = 80  # characters of a name that are said back


class UnclearJsonError(ValueError):
    """A name stands twice in one object, or objects are nested too deeply."""


def check_once(text: bytes, data: Any) -> None:
    """Raises UnclearJsonError if an object has a name twice, or objects are nested too deeply.

    `data`: what a parser read from the text.
    """
    # What a machine wrote has no space before its colons, and is counted in a tenth of the time.
    spaced = any(gap in text for gap in _GAPS)
    names = len(_NAME.findall(text)) if spaced else text.count(b'":')
    if names == _count(data):
        return
    # A quote and a colon can also stand inside a text.
    json.loads(text, object_pairs_hook=_once)


def _count(data: Any) -> int:
    count, level = 0, [data] if isinstance(data, dict | list) else []
    for _ in range(DEEPEST):
        below: list[Any] = []
        for value in level:
            inside: Any = value
            if type(value) is dict:
                count += len(value)
                inside = value.values()
            below += [inner for inner in inside if type(inner) is dict or type(inner) is list]
        if not below:
            return count
        level = below
    raise UnclearJsonError(TOO_DEEP)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    data = dict(pairs)
    if len(data) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise UnclearJsonError(f"{twice[:_SHOWN]!r} stands twice in one object")
    return data
