"""A reader that refuses unclear JSON: a name twice in one object, too deep nesting, too much in one place.

A parser silently keeps the last of two equal names, and nobody can tell which was meant. A fast check counts
the names in the text and in the parsed data; only where the counts differ is the text parsed again.
"""

import json
import re
from typing import Any

import orjson

from models.costs import DEEPEST, LONGEST_SHOWN, MOST_CONTAINERS, MOST_ITEMS, MOST_MEMBERS

TOO_DEEP = f"it is nested too deeply: {DEEPEST} objects and lists in one another are the most"
_NAME = re.compile(rb'"\s*:')
_GAPS = (b'" ', b'"\n', b'"\r', b'"\t')


class UnclearJsonError(ValueError):
    """A name stands twice in one object, or objects and lists are nested too deeply or hold too much."""


def parse(text: bytes) -> Any:
    """Parse the text. Raises UnclearJsonError as `check_once` does, and orjson.JSONDecodeError."""
    # A parser makes every object and list before anything can be checked, and that is what costs most.
    if text.count(b"{") + text.count(b"[") > MOST_CONTAINERS:
        raise UnclearJsonError(f"it has too many objects and lists: {MOST_CONTAINERS:,} are the most")
    data = orjson.loads(text)
    check_once(text, data)
    return data


def check_once(text: bytes, data: Any) -> None:
    """Raise UnclearJsonError if `text` (parsed: `data`) has a name twice, or is too deep or too wide."""
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
                if len(value) > MOST_MEMBERS:
                    raise UnclearJsonError(
                        f"an object has {len(value):,} members; {MOST_MEMBERS} are the most"
                    )
                count += len(value)
                inside = value.values()
            elif len(value) > MOST_ITEMS:
                raise UnclearJsonError(f"a list has {len(value):,} items; {MOST_ITEMS:,} are the most")
            below += [inner for inner in inside if type(inner) is dict or type(inner) is list]
        if not below:
            return count
        level = below
    raise UnclearJsonError(TOO_DEEP)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    data = dict(pairs)
    if len(data) < len(pairs):
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                raise UnclearJsonError(f"{name[:LONGEST_SHOWN]!r} stands twice in one object")
            seen.add(name)
    return data
