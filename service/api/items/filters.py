"""The filters of the list of items, as a URL's query has them."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from models.domain.vocabulary import CHANNEL_NAMES, MAX_TEXT
from models.errors import Fault, InputError
from models.price.interface import EVIDENCE_WORDS
from service.api.evidence.listing import in_catalogue, together_in_catalogue
from service.errors import FaultyRequestError, Located
from service.http.queries import Query
from service.http.schemas import DAY
from service.inventory.filters import MOST_DAYS, MOST_PER_CENT, MOST_WORDS, READERS, read_filters
from service.inventory.listing import Filters
from service.inventory.records import STATUSES

_NUMBER = re.compile(r"\d{1,9}(\.\d{1,4})?", re.ASCII)


def _query(name: str, text: str, schema: Mapping[str, Any], said: Callable[[str], Any]) -> Query:
    """Return a member of the query; `said` makes of its text what JSON would have, for the one reader."""

    def read(given: str) -> Any:
        faults = list[Fault]()
        value = READERS[name](name, said(given), faults)
        if faults:
            raise InputError([_as_sent(fault, given) for fault in faults])
        return value

    return Query(name, text, dict(schema), read)


def _as_sent(fault: Fault, given: str) -> Fault:
    """Return the fault with the text that was sent, or with the one of its words that is wrong."""
    return fault if isinstance(fault.value, str) else replace(fault, value=given)


def _words(name: str, text: str, allowed: Sequence[str]) -> Query:
    word = {"type": "string", "enum": [*allowed]}
    items = {"type": "array", "minItems": 1, "maxItems": MOST_WORDS, "items": word}
    return _query(name, text, items, lambda given: [word.strip() for word in given.split(",")])


def _per_cent(name: str, text: str, most: float = MOST_PER_CENT) -> Query:
    return _query(name, text, {"type": "number", "minimum": 0, "maximum": most}, _number)


def _number(given: str) -> Any:
    if not _NUMBER.fullmatch(given):
        return given
    return float(given) if "." in given else int(given)


def _named(name: str, text: str) -> Query:
    found = _query(name, text, {"type": "string", "minLength": 1, "maxLength": MAX_TEXT}, str)
    return found._replace(read=lambda given: in_catalogue(name, found.read(given)))


def _day(name: str, text: str) -> Query:
    return _query(name, text, {"type": "string", **DAY}, str)


def _flag(name: str, text: str) -> Query:
    words = {"true": True, "false": False}
    return _query(name, text, {"type": "boolean"}, lambda given: words.get(given.casefold(), given))


FILTERS = (
    _words("status", "only items of one of these statuses", STATUSES),
    _named("maker", "only items of this maker, as the catalogue names it"),
    _named("model", "only items of this model, as the catalogue names it"),
    _words("channel", "only items offered in one of these markets", CHANNEL_NAMES),
    _per_cent("over_priced", "only items whose asking price is more than so many per cent above the value"),
    _per_cent("under_priced", "only items whose asking price is more than so many per cent below it", 100),
    _day("bought_before", "only items bought before this day"),
    _query(
        "aged",
        "only items bought more than so many days ago",
        {"type": "integer", "minimum": 0, "maximum": MOST_DAYS},
        _number,
    ),
    _words(
        "evidence", "only items whose value has this much evidence; thin: none,few", tuple(EVIDENCE_WORDS)
    ),
    _per_cent("moved_by", "only items whose value moved by more than so many per cent since moved_since"),
    _day("moved_since", "the day since which moved_by counts: from the last value up to that day"),
    _flag("failed", "true: only items whose last valuing failed; false: only the others"),
)


def wanted_of(asked: Mapping[str, Any]) -> Filters:
    """Return the filters that were sent. Raises FaultyRequestError."""
    wanted = {query.name: asked[query.name] for query in FILTERS if asked[query.name] is not None}
    faults = [
        Fault(other, None, "is required", "", f"send it beside {name}")
        for name, other in (("moved_by", "moved_since"), ("moved_since", "moved_by"))
        if name in wanted and other not in wanted
    ]
    try:
        together_in_catalogue(wanted.get("maker"), wanted.get("model"))
    except InputError as error:
        faults += error.faults
    if faults:
        raise FaultyRequestError([Located(None, fault) for fault in faults])
    return wanted


def read_stock_filter(given: Any, faults: list[Fault]) -> Filters:
    """Read the filter of a body; what is wrong joins the faults. Its names are those of the catalogue."""
    before = len(faults)
    found = read_filters(given, faults)
    wrong = {fault.field for fault in faults[before:]}
    names = {name: found.get(name) for name in ("maker", "model") if f"filter.{name}" not in wrong}
    heard = list[Fault]()
    for name, value in names.items():
        try:
            if value is not None:
                in_catalogue(name, value)
        except InputError as error:
            heard += error.faults
    try:
        if not heard:
            together_in_catalogue(names.get("maker"), names.get("model"))
    except InputError as error:
        heard += error.faults
    faults += [replace(fault, field=f"filter.{fault.field}") for fault in heard]
    return found
