"""The schema of a filter of items, as bodies have it; `service.inventory.filters` reads it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from marshmallow import Schema, fields

from models.domain.vocabulary import CHANNEL_NAMES, MAX_TEXT
from models.price.interface import EVIDENCE_WORDS
from service.http.schemas import DAY
from service.inventory.filters import MOST_DAYS, MOST_PER_CENT, MOST_WORDS
from service.inventory.records import STATUSES
from service.texts import text_schema

_PER_CENT: dict[str, Any] = {"type": "number", "minimum": 0, "maximum": MOST_PER_CENT}
_MOVED = "; needs the other of moved_by and moved_since"


def _filter(text: str, **schema: Any) -> fields.Raw:
    return fields.Raw(allow_none=True, metadata={"description": text, **schema})


def _some(text: str, words: Sequence[str]) -> fields.Raw:
    items = {"type": "string", "enum": [*words]}
    return _filter(text, type="array", items=items, minItems=1, maxItems=MOST_WORDS)


class StockFilterSchema(Schema):
    """The items that are meant: those that every filter that is sent lets pass."""

    status = _some("in one of these states", STATUSES)
    channel = _some("sold in one of these channels", CHANNEL_NAMES)
    evidence = _some(
        "with one of these words for how much evidence stands behind the value", (*EVIDENCE_WORDS,)
    )
    maker = _filter("of this maker, by name", **text_schema(MAX_TEXT))
    model = _filter("of this model, by name", **text_schema(MAX_TEXT))
    over_priced = _filter("asked for more than so many per cent above the value", **_PER_CENT)
    under_priced = _filter(
        "asked for more than so many per cent below the value", **{**_PER_CENT, "maximum": 100}
    )
    bought_before = _filter("bought before this day", type="string", **DAY)
    aged = _filter("bought more than so many days ago", type="integer", minimum=0, maximum=MOST_DAYS)
    moved_by = _filter(f"whose value moved by more than so many per cent, either way{_MOVED}", **_PER_CENT)
    moved_since = _filter(f"since this day{_MOVED}", type="string", **DAY)
    failed = _filter("whose last valuing failed, or did not", type="boolean")
