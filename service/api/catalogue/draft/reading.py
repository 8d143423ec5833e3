"""Read a model that is sent for the next catalogue, with every fault named by its place in the body."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial
from typing import Any

from models.costs import LONGEST_CATALOGUE_NOTE, MOST_CATALOGUE_TABLES
from models.domain.catalogue import Model, keys_beside, read_entry
from models.domain.names import nearest, normal
from models.domain.vocabulary import BY_PATH, MAX_TEXT
from models.errors import Fault, InputError
from service.api.catalogue.draft.schemas import MOST_MADE
from service.errors import FaultyRequestError, Located
from service.faults import with_pointers
from service.texts import text_faults

_LISTS = ("finish", "edition", "watchpoint")
_YEAR = BY_PATH["year"]
_BOUNDS = {
    "first_year": (_YEAR.low or 0, _YEAR.high or 0),
    "last_year": (_YEAR.low or 0, _YEAR.high or 0),
    "production_total": (1, MOST_MADE),
}


def check_names(maker: str, name: str) -> None:
    """Raise FaultyRequestError for names of a path that cannot be kept."""
    faults = []
    for field, value in (("maker", maker), ("model", name)):
        if not normal(value) or text_faults(field, value, MAX_TEXT, ""):
            allowed = f"1 to {MAX_TEXT} printable characters"
            fault = Fault(field, value, "is no name that can be kept", allowed, "use another name")
            faults.append(Located(None, fault))
    if faults:
        raise FaultyRequestError(faults)


def read(given: Mapping[str, Any], maker: str, name: str) -> Model:
    """Read a model by `models.domain.catalogue`. `maker`, `name`: its names, if the body spells none.

    Raises FaultyRequestError with every fault.
    """
    entry = _known({"maker": maker, "name": name} | {key: v for key, v in given.items() if v is not None})
    faults = [*_renamed(entry, maker, name), *_beyond(entry)]
    ignored: list[str] = []
    if not faults:
        try:
            found = read_entry(entry, ignored)
        except InputError as error:
            faults = [*error.faults]
    faults += [_stranger(path) for path in ignored]
    if faults:
        raise FaultyRequestError(with_pointers(faults))
    return found


def _stranger(path: str) -> Fault:
    known = keys_beside(path)
    near = partial(nearest, path.rpartition(".")[2], known, 1)
    return Fault(path, "", "is not a field of this request", ", ".join(known), "leave it out", near)


def _known(entry: dict[str, Any]) -> dict[str, Any]:
    """Leave out what is null in the tables of an entry: it is not known."""

    def row(one: Any) -> Any:
        return {key: v for key, v in one.items() if v is not None} if isinstance(one, dict) else one

    lists = {key: [row(one) for one in entry[key]] for key in _LISTS if isinstance(entry.get(key), list)}
    return {**entry, **lists}


def _renamed(entry: Mapping[str, Any], maker: str, name: str) -> Iterator[Fault]:
    for field, wanted in (("maker", maker), ("name", name)):
        value = entry[field]
        if isinstance(value, str) and normal(value) != normal(wanted):
            yield Fault(field, value, "is not the name of the path", wanted, "make another model for it")


def _beyond(entry: Mapping[str, Any]) -> Iterator[Fault]:
    """Yield the faults of what is too long, too much or no printable text."""
    yield from _members("", {key: value for key, value in entry.items() if key not in _LISTS})
    for kind in _LISTS:
        rows = entry.get(kind)
        if not isinstance(rows, list):
            continue
        if len(rows) > MOST_CATALOGUE_TABLES:
            yield Fault(kind, "", "has too many entries", f"at most {MOST_CATALOGUE_TABLES}", "send fewer")
            continue
        for at, row in enumerate(rows):
            if isinstance(row, dict):
                yield from _members(f"{kind}.{at}.", row)


def _members(before: str, members: Mapping[str, Any]) -> Iterator[Fault]:
    for key, value in members.items():
        low, high = _BOUNDS.get(key, (None, None))
        if isinstance(value, str) and value.strip():
            longest = LONGEST_CATALOGUE_NOTE if key == "note" else MAX_TEXT
            yield from text_faults(before + key, value, longest, "shorten or correct it")
        elif type(value) is int and low is not None and high is not None and not low <= value <= high:
            yield Fault(before + key, value, "is out of range", f"{low:.0f} to {high:.0f}", "correct it")
