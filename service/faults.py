"""Faults with pointers into the body, so that a form can show each beside the right field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import quote

from marshmallow import Schema

from models.domain.names import nearest
from models.errors import Fault
from service.errors import Located

_SHOWN = 200  # characters of a wrong value that are said back


def pointer_to(*names: str) -> str:
    """The JSON pointer, as a URI fragment, of a member by the names that lead to it."""
    return "#" + "".join(f"/{_escaped(name)}" for name in names)


def _escaped(name: str) -> str:
    # RFC 6901: ~ and / have a form of their own, and as a URI fragment the rest is percent-encoded.
    return quote(name[:_SHOWN].replace("~", "~0").replace("/", "~1"), safe="~")


def with_pointers(faults: Iterable[Fault], under: str = "") -> list[Located]:
    """Faults of the models, each named by its dotted path, under this member of the body."""
    return [Located(pointer_to(*_names(fault.field, under)), fault) for fault in faults]


def _names(path: str, under: str) -> list[str]:
    names = path.split(".")
    return [under, *names] if under and names != [under] else names


def from_marshmallow(messages: Mapping[Any, Any], data: Mapping[str, Any], schema: Schema) -> list[Located]:
    """Take marshmallow's messages: our own faults as they are, its texts as faults of their fields."""
    found: list[Located] = []
    for name, texts in messages.items():
        for message in texts if isinstance(texts, list) else [texts]:
            found.append(message if isinstance(message, Located) else _read(str(name), message, data, schema))
    return found


def _read(name: str, message: Any, data: Mapping[str, Any], schema: Schema) -> Located:
    value = data.get(name)
    if name not in schema.fields:
        known = list(schema.fields)
        close = nearest(name, known)
        hint = f"did you mean {close[0]}?" if close else "leave it out"
        fault = Fault(name, value, "is not a field of this request", ", ".join(known), hint, close)
    elif name not in data:
        fault = Fault(name, None, "is required", "", f"send {name}")
    else:
        text = str(message).rstrip(".")
        fault = Fault(name, value, text[:1].lower() + text[1:], "", "correct it or leave it out")
    return Located(pointer_to(name), fault)


def fault_entry(located: Located) -> dict[str, Any]:
    """One entry of a problem's errors."""
    fault = located.fault
    return {
        "pointer": located.pointer,
        "field": fault.field[:_SHOWN],
        "value": _shown(fault.value),
        "problem": fault.problem,
        "allowed": fault.allowed,
        "next_step": fault.next_step,
        "suggestions": list(fault.suggestions),
    }


def _shown(value: object) -> object:
    if value is None or isinstance(value, bool | float):
        return value
    if isinstance(value, int):
        return value if abs(value) < 2**53 else str(value)[:_SHOWN]
    if isinstance(value, str):
        return value if len(value) <= _SHOWN else value[: _SHOWN - 1] + "…"
    return "an object" if isinstance(value, Mapping) else "an array"
