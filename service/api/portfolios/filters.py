"""Read a filter of items from a JSON body: the members that `service.inventory.listing` knows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, NamedTuple

from marshmallow import Schema, fields

from models.costs import MOST_MEMBERS
from models.domain.cells import LAST_DAY, read_day
from models.domain.names import ALIKE, nearest
from models.domain.vocabulary import CHANNEL_NAMES, MAX_TEXT
from models.errors import Fault, InputError
from models.price.interface import EVIDENCE_WORDS
from service.http.schemas import DAY
from service.inventory.records import STATUSES
from service.texts import text_faults, text_schema

_MOST_SHARE, _MOST_DAYS = 10_000, 36_500


class _Member(NamedTuple):
    """A member of a filter. `read` returns its value as the listing takes it, or None if it is not one."""

    read: Callable[[Any], Any]
    allowed: str
    described: Mapping[str, Any]


def _words(meaning: str, names: tuple[str, ...]) -> _Member:
    def read(value: Any) -> list[str] | None:
        words = [value] if isinstance(value, str) else value
        good = isinstance(words, list) and 0 < len(words) <= MOST_MEMBERS
        return words if good and all(isinstance(w, str) and w in names for w in words) else None

    items = {"type": "string", "enum": [*names]}
    schema = {"type": "array", "items": items, "minItems": 1, "maxItems": MOST_MEMBERS}
    return _Member(read, f"a list of {', '.join(names)}", {**schema, "description": meaning})


def _name(meaning: str) -> _Member:
    def read(value: Any) -> str | None:
        return None if text_faults("name", value, MAX_TEXT, "") else str(value)

    described = {**text_schema(MAX_TEXT), "description": meaning}
    return _Member(read, f"a text of 1 to {MAX_TEXT} characters", described)


def _number(meaning: str, most: float, *, whole: bool = False) -> _Member:
    def read(value: Any) -> float | None:
        kinds = int if whole else (int, float)
        return (
            value if isinstance(value, kinds) and not isinstance(value, bool) and 0 <= value <= most else None
        )

    kind = "integer" if whole else "number"
    schema = {"type": kind, "minimum": 0, "maximum": most, "description": meaning}
    return _Member(read, f"{'a whole' if whole else 'a'} number from 0 to {most:,}", schema)


def _day(meaning: str) -> _Member:
    def read(value: Any) -> str | None:
        faults: list[Fault] = []
        found = read_day(value, faults, latest=LAST_DAY) if isinstance(value, str) else None
        return found.isoformat() if found and not faults else None

    return _Member(read, "a day as YYYY-MM-DD", {"type": "string", **DAY, "description": meaning})


def _flag(meaning: str) -> _Member:
    return _Member(
        lambda value: value if isinstance(value, bool) else None,
        "true or false",
        {"type": "boolean", "description": meaning},
    )


MEMBERS: Mapping[str, _Member] = {
    "status": _words("of these statuses", STATUSES),
    "channel": _words("sold in these markets", tuple(CHANNEL_NAMES)),
    "evidence": _words("with this much evidence behind the value", tuple(EVIDENCE_WORDS)),
    "maker": _name("of this maker"),
    "model": _name("of this model"),
    "over_priced": _number("asked for more than the value, by more than so many per cent", _MOST_SHARE),
    "under_priced": _number("asked for less than the value, by more than so many per cent", 100),
    "bought_before": _day("bought before this day"),
    "aged": _number("bought more than so many days ago", _MOST_DAYS, whole=True),
    "moved_by": _number(
        "whose value moved by more than so many per cent, either way, since `moved_since`", _MOST_SHARE
    ),
    "moved_since": _day("the day since which `moved_by` counts; only with it"),
    "failed": _flag("whose last valuing failed, or did not"),
}

FilterSchema: type[Schema] = Schema.from_dict(
    {name: fields.Raw(metadata=dict(member.described)) for name, member in MEMBERS.items()},
    name="ItemFilterSchema",
)
FilterSchema.__doc__ = "What items have to be; an item is meant that is all of it."


def read_filter(value: Any) -> dict[str, Any]:
    """Read a filter. Raises InputError with every fault."""
    if not isinstance(value, dict):
        wrong = Fault("filter", value, "is not an object", 'an object such as {"status": ["in_stock"]}')
        raise InputError([wrong])
    faults, found = [], dict[str, Any]()
    for name, given in value.items():
        member = MEMBERS.get(name)
        if member is None:
            near = partial(nearest, name, [*MEMBERS], 1, ALIKE)
            problem, allowed = "is not a member of a filter", ", ".join(MEMBERS)
            faults.append(Fault(f"filter.{name}", given, problem, allowed, "leave it out", near))
        elif (read := member.read(given)) is None:
            problem, step = "cannot be used here", "correct it or leave it out"
            faults.append(Fault(f"filter.{name}", given, problem, member.allowed, step))
        else:
            found[name] = read
    if not faults and ("moved_by" in found) != ("moved_since" in found):
        faults.append(
            Fault(
                "filter.moved_by",
                found.get("moved_by"),
                "needs moved_since beside it, and it this",
                "",
                "send both",
            )
        )
    if faults:
        raise InputError(faults)
    return found
