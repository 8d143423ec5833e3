"""Faults with pointers into the body, so that a form can show each beside the right field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import quote

from marshmallow import Schema

from models.domain.names import nearest
from models.errors import Fault
from service.errors import Located

_SHOWN = 200  # largest number of characters of a wrong value that an answer repeats


def pointer_to(*names: str) -> str:
    """Return the JSON pointer, as a URI fragment, of the member at this path of names."""
    return "#" + "".join(f"/{_escaped(name)}" for name in names)


def _escaped(name: str) -> str:
    # RFC 6901 writes ~ as ~0 and / as ~1; a URI fragment is percent-encoded besides.
    return quote(name[:_SHOWN].replace("~", "~0").replace("/", "~1"), safe="~")


def with_pointers(faults: Iterable[Fault], under: str = "") -> list[Located]:
    """Return the models' faults, named by dotted path, with pointers below the member `under` of the body."""
    return [Located(pointer_to(*_names(fault.field, under)), fault) for fault in faults]


def _names(path: str, under: str) -> list[str]:
    names = path.split(".")
    return [under, *names] if under and names != [under] else names


def from_marshmallow(messages: Mapping[Any, Any], data: Mapping[str, Any], schema: Schema) -> list[Located]:
    """Turn marshmallow's messages into faults: ours are taken as they are, its texts become faults."""
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
    """Return the fault as an entry of a problem document's `errors`."""
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
