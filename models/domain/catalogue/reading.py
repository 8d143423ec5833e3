"""Read the catalogue from TOML; read one model of it, with every fault named by its path."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from models.domain.catalogue.entries import BODIES, Catalogue, Edition, Finish, Model, Watchpoint
from models.domain.names import normal
from models.domain.parsing import stand_in
from models.domain.vocabulary import BY_PATH
from models.errors import CatalogueError, Fault, InputError

_MODEL_KEYS = {
    "maker": str,
    "name": str,
    "first_year": int,
    "last_year": int,
    "body": str,
    "figured_top": bool,
    "finish": list,
    "edition": list,
    "watchpoint": list,
}
_FINISH_KEYS = {"name": str, "share": float}
_EDITION_KEYS = {"name": str, "first_year": int, "last_year": int, "production_total": int, "numbered": bool}
_WATCHPOINT_KEYS = {"part": str, "note": str}
_TYPE_WORDS = {
    str: 'text between quotes, as "Name"',
    int: "a whole number without quotes, as 1958",
    float: "a number without quotes, as 0.25",
    bool: "true or false without quotes",
    list: "a list of tables: its heading stands between double brackets",
}
_TOML_HINT = 'each model begins with [[model]], and text stands between straight quotes, as name = "Name"'


def keys_beside(path: str) -> tuple[str, ...]:
    """Return the keys that can stand where this path leads, as `edition.0.name` does."""
    of_lists: dict[str, Mapping[str, type]] = {
        "finish": _FINISH_KEYS,
        "edition": _EDITION_KEYS,
        "watchpoint": _WATCHPOINT_KEYS,
    }
    return tuple(of_lists.get(path.partition(".")[0], _MODEL_KEYS))


def read_catalogue(text: str) -> Catalogue:
    """Read a catalogue from TOML. Raises CatalogueError that names the model, the key and what is allowed."""
    try:
        data = tomllib.loads(text.removeprefix("\ufeff").replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        raise CatalogueError(f"the catalogue is not TOML: {error}; {_TOML_HINT}") from error
    entries = data.get("model")
    if not isinstance(entries, list) or not entries:
        raise CatalogueError("the catalogue holds no [[model]]; it needs at least one")
    ignored = [key for key in data if key != "model"]
    models = tuple(_numbered(number, entry, ignored) for number, entry in enumerate(entries, 1))
    return Catalogue(models, text, tuple(dict.fromkeys(key.rpartition(".")[2] for key in ignored)))


def _numbered(number: int, entry: Any, ignored: list[str]) -> Model:
    try:
        return read_entry(entry, ignored)
    except InputError as error:
        names = [entry.get(key) for key in ("maker", "name")] if isinstance(entry, dict) else []
        named = " ".join(name for name in names if isinstance(name, str))
        where = f"model {number} ({named})" if named else f"model {number}"
        told = "; ".join(_in_words(fault) for fault in error.faults)
        raise CatalogueError(f"{where}: {told}") from None


def _in_words(fault: Fault) -> str:
    """Name the place of a fault as people count: `edition 1, name` for `edition.0.name`."""
    place = re.sub(r"\.(\d+)", lambda found: f" {int(found[1]) + 1}", fault.field).replace(".", ", ")
    allowed = f"; allowed: {fault.allowed}" if fault.allowed else ""
    given = "" if fault.value is None else f" = {fault.value!r}"
    return f"{place}{given} {fault.problem}{allowed}"


def read_entry(entry: Any, ignored: list[str]) -> Model:
    """Read one model as the file has it, `finish`, `edition` and `watchpoint` being lists of tables.

    The paths of keys that are no part of the format join `ignored`. Raises InputError with every fault, each
    named by its path, as `edition.0.name`.
    """
    faults: list[Fault] = []
    got = _table("", entry, _MODEL_KEYS, ("maker", "name", "first_year", "last_year"), ignored, faults)
    finishes = _tables("finish", got, _FINISH_KEYS, ("name",), ignored, faults)
    editions = _tables("edition", got, _EDITION_KEYS, ("name",), ignored, faults)
    watchpoints = _tables("watchpoint", got, _WATCHPOINT_KEYS, ("part", "note"), ignored, faults)
    _check_model(got, faults)
    for kind, tables in (("finish", finishes), ("edition", editions)):
        _check_names(kind, tables, faults)
    _check_numbers(finishes, editions, faults)
    if faults:
        raise InputError(faults)
    return Model(
        **got,
        finishes=tuple(Finish(**f) for f in finishes),
        editions=tuple(Edition(**e) for e in editions),
        watchpoints=tuple(Watchpoint(**w) for w in watchpoints),
    )


def _check_model(got: Mapping[str, Any], faults: list[Fault]) -> None:
    first, last, body = got.get("first_year"), got.get("last_year"), got.get("body")
    if first is not None and last is not None and last < first:
        faults.append(Fault("last_year", last, f"is before first_year {first}", "", "correct one of them"))
    if body is not None and body not in BODIES:
        faults.append(Fault("body", body, "is no kind of body", ", ".join(BODIES), "leave it out"))


def _check_names(kind: str, tables: Sequence[Mapping[str, Any]], faults: list[Fault]) -> None:
    seen: set[str] = set()
    for at, table in enumerate(tables):
        name = table.get("name")
        if name is None:
            continue
        if normal(name) in seen:
            faults.append(Fault(f"{kind}.{at}.name", name, "stands twice", "", "leave one out"))
        elif stand_in(BY_PATH[kind], name):
            step = f"leave the {kind} out"
            faults.append(
                Fault(f"{kind}.{at}.name", name, "is a word that says that there is none", "", step)
            )
        seen.add(normal(name))


def _check_numbers(
    finishes: Sequence[Mapping[str, Any]], editions: Sequence[Mapping[str, Any]], faults: list[Fault]
) -> None:
    step = "leave it out if it is not known"
    for at, one in enumerate(finishes):
        share = one.get("share")
        if share is not None and not 0 <= share <= 1:
            faults.append(Fault(f"finish.{at}.share", share, "is no share", "0 to 1", step))
    for at, one in enumerate(editions):
        total = one.get("production_total")
        if total is not None and total < 1:
            problem = "is no number of instruments"
            faults.append(Fault(f"edition.{at}.production_total", total, problem, "at least 1", step))


def _tables(
    kind: str,
    got: dict[str, Any],
    keys: Mapping[str, type],
    required: Sequence[str],
    ignored: list[str],
    faults: list[Fault],
) -> list[dict[str, Any]]:
    return [
        _table(f"{kind}.{at}", entry, keys, required, ignored, faults)
        for at, entry in enumerate(got.pop(kind, None) or [])
    ]


def _table(
    where: str,
    entry: Any,
    keys: Mapping[str, type],
    required: Sequence[str],
    ignored: list[str],
    faults: list[Fault],
) -> dict[str, Any]:
    if not isinstance(entry, dict):
        faults.append(Fault(where or "model", entry, "is not a table", "", "write it with its keys"))
        return {}
    before, out = f"{where}." if where else "", dict[str, Any]()
    for key, given in entry.items():
        if key not in keys:
            ignored.append(f"{before}{key}")
            continue
        kind = keys[key]
        value = _as_kind(given, kind)
        if type(value) is not kind:
            faults.append(Fault(f"{before}{key}", value, f"is not {_TYPE_WORDS[kind]}", "", "correct it"))
            required = [name for name in required if name != key]
        else:
            out[key] = " ".join(value.split()) if isinstance(value, str) else value
    for key in required:
        if out.get(key) in (None, ""):
            faults.append(Fault(f"{before}{key}", None, "is required", "", f"give {key}"))
            out.pop(key, None)
    return out


def _as_kind(given: Any, kind: type) -> Any:
    """Return a number in the wanted kind where that is exact: in JSON Schema 1.0 is a whole number too."""
    if kind is float and type(given) is int and abs(given) < 2**53:
        return float(given)
    if kind is int and type(given) is float and given.is_integer():
        return int(given)
    return given
