"""A check that refuses unclear JSON: a name that stands twice in one object, or too deep nesting.

A parser silently keeps the last of two equal names, and nobody can tell which was meant. A fast check counts
the names in the text and in the parsed data; only where the counts differ is the text parsed again.
"""

import json
import re
from typing import Any

DEEPEST = 32  # Most levels of objects and lists in one another; no format of this project has as many.
TOO_DEEP = f"it is nested too deeply: {DEEPEST} objects and lists in one another are the most"
_NAME = re.compile(rb'"\s*:')
_GAPS = (b'" ', b'"\n', b'"\r', b'"\t')
_SHOWN = 80  # Number of characters of a name that an error quotes.


class UnclearJsonError(ValueError):
    """A name stands twice in one object, or objects are nested too deeply."""


def check_once(text: bytes, data: Any) -> None:
    """Raise UnclearJsonError if `text` (parsed: `data`) has a name twice in an object or nests too deeply."""
    # Machine-written JSON has no space before colons, and counting it takes a tenth of the time.
    spaced = any(gap in text for gap in _GAPS)
    names = len(_NAME.findall(text)) if spaced else text.count(b'":')
    if names == _count(data):
        return
    # The counts also differ where a quote and a colon stand inside a text, so parse again to be sure.
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
