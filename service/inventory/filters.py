"""Read which items are meant, as JSON says it; `service.inventory.listing` selects them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from models.domain.cells import LAST_DAY, read_day, read_term
from models.domain.names import ALIKE, nearest
from models.domain.vocabulary import CHANNEL_NAMES, MAX_TEXT
from models.errors import Fault
from models.price.interface import EVIDENCE_WORDS
from service.inventory.listing import Filters
from service.inventory.records import STATUSES
from service.texts import text_faults

MOST_PER_CENT, MOST_DAYS, MOST_WORDS = 1_000_000, 100_000, 20
_NUMERAL = re.compile(r"\d{1,9}(\.\d{1,4})?", re.ASCII)
_STEP = "correct it or leave it out"
Read = Callable[[str, Any, list[Fault]], Any]


def read_filters(given: Any, faults: list[Fault], under: str = "filter") -> Filters:
    """Return the filters that are set; what is wrong joins the faults, named below the member `under`."""
    if not isinstance(given, Mapping):
        faults.append(Fault(under, given, "is not an object", "a JSON object of filters", _STEP))
        return {}
    allowed = ", ".join(READERS)
    for name in (name for name in given if name not in READERS):
        near = partial(nearest, name, [*READERS], 1, ALIKE)
        faults.append(Fault(f"{under}.{name}", given[name], "is not a filter", allowed, "leave it out", near))
    wanted = {name: given[name] for name in READERS if given.get(name) is not None}
    found = {name: READERS[name](f"{under}.{name}", value, faults) for name, value in wanted.items()}
    for name, other in (("moved_by", "moved_since"), ("moved_since", "moved_by")):
        if name in wanted and other not in wanted:
            faults.append(Fault(f"{under}.{other}", None, "is required", "", f"send it beside {name}"))
    return found


def _words(allowed: Sequence[str]) -> Read:
    terms = tuple(allowed)

    def read(where: str, value: Any, faults: list[Fault]) -> list[str]:
        if isinstance(value, list) and 0 < len(value) <= MOST_WORDS:
            return [_word(where, one, terms, faults) for one in value]
        said = f"1 to {MOST_WORDS} of {', '.join(terms)}"
        faults.append(Fault(where, value, "is not a list of words", said, _STEP))
        return []

    return read


def _word(where: str, value: Any, terms: tuple[str, ...], faults: list[Fault]) -> str:
    if isinstance(value, str):
        return read_term(where, value.strip(), terms, faults)
    faults.append(Fault(where, value, "is not text", ", ".join(terms), _STEP))
    return ""


def _number(least: int, most: int, *, whole: bool = False) -> Read:
    allowed = f"a {'whole ' if whole else ''}number from {least} to {most}"

    def read(where: str, value: Any, faults: list[Fault]) -> Any:
        if isinstance(value, str) and _NUMERAL.fullmatch(value.strip()):
            step = f"send {value.strip()} without quotes"
            faults.append(Fault(where, value, "is text, not a number", allowed, step))
            return None
        good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        # 12.0 is 12 in JSON Schema.
        if not good or not least <= value <= most or (whole and value != int(value)):
            faults.append(Fault(where, value, "is not such a number", allowed, _STEP))
        return value

    return read


def _text(where: str, value: Any, faults: list[Fault]) -> Any:
    faults += text_faults(where, value, MAX_TEXT, _STEP)
    return value


def _day(where: str, value: Any, faults: list[Fault]) -> Any:
    heard = list[Fault]()
    read_day(value if isinstance(value, str) else "", heard, latest=LAST_DAY)
    faults += [replace(fault, field=where, value=value) for fault in heard]
    return value


def _flag(where: str, value: Any, faults: list[Fault]) -> Any:
    if not isinstance(value, bool):
        word = value.strip().casefold() if isinstance(value, str) else ""
        step = f"send {word} without quotes" if word in ("true", "false") else _STEP
        faults.append(Fault(where, value, "is not true or false", "true or false", step))
    return value


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
