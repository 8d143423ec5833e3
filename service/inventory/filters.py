"""Read which items are meant, as JSON says it; `service.inventory.listing` selects them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import partial
from typing import Any

from models.domain.names import ALIKE, nearest
from models.domain.vocabulary import CHANNEL_NAMES, MAX_TEXT
from models.errors import Fault
from models.price.interface import EVIDENCE_WORDS
from service.inventory.listing import Filters
from service.inventory.records import STATUSES
from service.texts import text_faults

MOST_PER_CENT, MOST_DAYS, MOST_WORDS = 1_000_000, 100_000, 20
_DAY = re.compile(r"(19\d\d|20\d\d|2100)-\d{2}-\d{2}", re.ASCII)
_STEP = "correct it or leave it out"
Read = Callable[[str, Any, list[Fault]], None]


def read_filters(given: Any, faults: list[Fault], under: str = "filter") -> Filters:
    """Return the filters that are set; what is wrong joins the faults, named below the member `under`."""
    if not isinstance(given, Mapping):
        faults.append(Fault(under, given, "is not an object", "a JSON object of filters", _STEP))
        return {}
    wanted = {name: value for name, value in given.items() if value is not None}
    for name, value in wanted.items():
        where = f"{under}.{name}"
        if name in READERS:
            READERS[name](where, value, faults)
        else:
            near = partial(nearest, name, [*READERS], 1, ALIKE)
            allowed = ", ".join(READERS)
            faults.append(Fault(where, value, "is not a filter", allowed, "leave it out", near))
    for name, other in (("moved_by", "moved_since"), ("moved_since", "moved_by")):
        if name in wanted and other not in wanted:
            faults.append(Fault(f"{under}.{other}", None, "is required", "", f"send it beside {name}"))
    return wanted


def _words(allowed: Sequence[str]) -> Read:
    def read(where: str, value: Any, faults: list[Fault]) -> None:
        said = ", ".join(allowed)
        if not isinstance(value, list) or not 0 < len(value) <= MOST_WORDS:
            faults.append(
                Fault(where, value, "is not a list of words", f"1 to {MOST_WORDS} of {said}", _STEP)
            )
            return
        faults += [Fault(where, one, "is not allowed", said, _STEP) for one in value if one not in allowed]

    return read


def _number(least: float, most: float, *, whole: bool = False) -> Read:
    allowed = f"a {'whole ' if whole else ''}number from {least:g} to {most:g}"

    def read(where: str, value: Any, faults: list[Fault]) -> None:
        good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        # 12.0 is 12 in JSON Schema.
        if not good or not least <= value <= most or (whole and value != int(value)):
            faults.append(Fault(where, value, "is not such a number", allowed, _STEP))

    return read


def _text(where: str, value: Any, faults: list[Fault]) -> None:
    faults += text_faults(where, value, MAX_TEXT, _STEP)


def _day(where: str, value: Any, faults: list[Fault]) -> None:
    try:
        if not isinstance(value, str) or not _DAY.fullmatch(value):
            raise ValueError
        date.fromisoformat(value)
    except ValueError:
        faults.append(Fault(where, value, "is not a day", "a day as 2026-03-31", _STEP))


def _flag(where: str, value: Any, faults: list[Fault]) -> None:
    if not isinstance(value, bool):
        faults.append(Fault(where, value, "is not true or false", "true or false", _STEP))


READERS: Mapping[str, Read] = {
    "status": _words(STATUSES),
    "channel": _words(CHANNEL_NAMES),
    "evidence": _words(tuple(EVIDENCE_WORDS)),
    "maker": _text,
    "model": _text,
    "over_priced": _number(0, MOST_PER_CENT),
    "under_priced": _number(0, 100),
    "bought_before": _day,
    "aged": _number(0, MOST_DAYS, whole=True),
    "moved_by": _number(0, MOST_PER_CENT),
    "moved_since": _day,
    "failed": _flag,
}
