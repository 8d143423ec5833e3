"""The filter of items as the body of a request has it; `service.inventory.filters` reads it."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from models.domain.vocabulary import CHANNEL_NAMES, MAX_TEXT
from models.price.interface import EVIDENCE_WORDS
from service.http.schemas import DAY
from service.inventory.filters import MOST_DAYS, MOST_PER_CENT
from service.inventory.records import STATUSES
from service.texts import text_schema

_DAY: dict[str, Any] = {"type": "string", **DAY}
_BOTH = "; moved_by and moved_since go together"


def _some(names: tuple[str, ...]) -> dict[str, Any]:
    items = {"type": "string", "enum": [*names]}
    return {"type": "array", "items": items, "minItems": 1, "maxItems": len(names)}


def _per_cent(most: float = MOST_PER_CENT) -> dict[str, Any]:
    return {"type": "number", "minimum": 0, "maximum": most}


_MEMBERS: dict[str, tuple[str, dict[str, Any]]] = {
    "status": ("of these statuses", _some(STATUSES)),
    "channel": ("sold in these markets", _some(tuple(CHANNEL_NAMES))),
    "evidence": ("with this much evidence behind the value", _some(tuple(EVIDENCE_WORDS))),
    "maker": ("of this maker", text_schema(MAX_TEXT)),
    "model": ("of this model", text_schema(MAX_TEXT)),
    "over_priced": ("asked for more than the value, by more than so many per cent", _per_cent()),
    "under_priced": ("asked for less than the value, by more than so many per cent", _per_cent(100)),
    "bought_before": ("bought before this day", _DAY),
    "aged": (
        "bought more than so many days ago",
        {"type": "integer", "minimum": 0, "maximum": MOST_DAYS},
    ),
    "moved_by": (f"whose value moved by more than so many per cent, either way{_BOTH}", _per_cent()),
    "moved_since": (f"the day since which a move counts{_BOTH}", _DAY),
    "failed": ("whose last valuing failed, or did not", {"type": "boolean"}),
}

ItemFilterSchema: type[Schema] = Schema.from_dict(
    {
        name: fields.Raw(allow_none=True, metadata={**described, "description": text})
        for name, (text, described) in _MEMBERS.items()
    },
    name="ItemFilterSchema",
)
ItemFilterSchema.__doc__ = "Which items are meant: those that all of these let pass."
