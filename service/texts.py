"""Short texts that people write and others read: labels, names and reasons."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from models.errors import Fault

NOT_BLANK = r"\S"  # a pattern that texts of blanks alone do not match


def text_schema(longest: int) -> dict[str, Any]:
    """Describe a text of up to `longest` characters as a JSON schema.

    It does not say that the text is printable, because no pattern for that is known to all readers.
    """
    return {"type": "string", "minLength": 1, "maxLength": longest, "pattern": NOT_BLANK}


_BLANKS = str.maketrans({"\t": " ", "\u00a0": " ", "\u202f": " "})
_JOINERS = "\n\u200c\u200d"  # the last two join letters, and the parts of an emoji


def plain_lines(text: str) -> str:
    """Return a text of several lines with each line end as a line feed, and each kind of blank as a space."""
    return text.replace("\r\n", "\n").translate(_BLANKS)


def lines_faults(field: str, value: Any, longest: int, step: str) -> list[Fault]:
    """Return the faults of a text as `text_faults` does; this one can have several lines."""
    if not isinstance(value, str):
        return text_faults(field, value, longest, step)
    return [
        replace(fault, value=value, allowed=f"{fault.allowed} and line ends")
        for fault in text_faults(field, _without(plain_lines(value)), longest, step)
    ]


def _without(text: str) -> str:
    return text.translate(dict.fromkeys(map(ord, _JOINERS), " "))


def text_faults(field: str, value: Any, longest: int, step: str) -> list[Fault]:
    """Return the faults of a text of at most `longest` characters. `step`: the advice in each fault."""
    allowed = f"1 to {longest} printable characters"
    if not isinstance(value, str) or not 0 < len(value) <= longest:
        return [Fault(field, value, "is not such a text", allowed, step)]
    if not value.isprintable():
        return [Fault(field, value, "holds a control character", allowed, step)]
    return [] if value.strip() else [Fault(field, value, "is empty", allowed, step)]
