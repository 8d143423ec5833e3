"""JSON schemas of bodies that name fields of an instrument, nested or by path."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from models.costs import MOST_MEMBERS
from models.domain.vocabulary import FIELDS, MAX_TEXT, Field, Kind

EMPTY = r"^\s*$"  # a form sends an empty text for any field that was not filled in, even for a number


def of_fields(paths: Iterable[str], member: Callable[[Field], Mapping[str, Any]]) -> dict[str, Any]:
    """Return the schema of an object with these fields. `member`: returns the schema of a field's value."""
    wanted = set(paths)
    properties: dict[str, Any] = {}
    for field in FIELDS:
        if field.path not in wanted:
            continue
        described = {"description": field.meaning, **member(field)}
        properties[field.path] = described
        group, _, name = field.path.rpartition(".")
        if group:
            nested = properties.setdefault(group, _nested(group))
            nested["properties"][name] = described
    return {
        "type": "object",
        "additionalProperties": False,
        "maxProperties": MOST_MEMBERS,
        "properties": properties,
    }


def _nested(group: str) -> dict[str, Any]:
    text = f"fields of {group}, each by its name alone"
    return {"type": "object", "description": text, "additionalProperties": False, "properties": {}}


def value_of(field: Field) -> dict[str, Any]:
    """Return the JSON schema of a field's value, in which null means not known."""
    if field.kind is Kind.TERM:
        return {"type": ["string", "null"], "enum": [*field.names, "", None]}
    if field.kind is Kind.TEXT:
        return {"type": ["string", "null"], "maxLength": MAX_TEXT}
    if field.kind is Kind.FLAG:
        return {"type": ["boolean", "string", "null"], "pattern": EMPTY}
    kind = "integer" if field.kind is Kind.INTEGER else "number"
    bounds = {"minimum": field.low, "maximum": field.high}
    return {"type": [kind, "string", "null"], "pattern": EMPTY, **bounds}
