"""One value of a field, read from JSON or from a cell of CSV."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

from models.domain.names import nearest, normal
from models.domain.vocabulary import FIELDS, MAX_TEXT, NO_EDITION, PLACEHOLDERS, Field, Kind
from models.errors import Fault, InputError

Value = str | int | float | bool | None


class Note(NamedTuple):
    """A text that was read as saying nothing of its field. `word`: that text as the vocabulary has it."""

    field: str
    word: str


def stand_in(field: Field, text: str) -> str | None:
    """The word by which this text says nothing of the field; None for a text that says something.

    A term is always looked for first: `none` can be one.
    """
    words = _STAND_INS.get(field.path)  # none for a field that is no instrument's
    if not words or len(text) > MAX_TEXT:
        return None
    word = normal(text)
    return word if word in words else None


def _stand_ins(field: Field) -> frozenset[str]:
    if field.path in ("maker", "model"):
        return frozenset()  # without them there is nothing to value: their text is looked up as it is
    if field.path == "edition":
        return PLACEHOLDERS | NO_EDITION
    # A serial "none" must not tie two instruments together; "none" as wear or as a term is an answer.
    return PLACEHOLDERS | {"none"} if field.kind is Kind.TEXT else PLACEHOLDERS


_STAND_INS = {field.path: _stand_ins(field) for field in FIELDS}


def note_of(field: Field, given: object) -> Note | None:
    """The note on a value that was read as not known; None where it was empty or left out."""
    word = stand_in(field, given) if isinstance(given, str) else None
    return Note(field.path, word) if word else None


def _wrong(field: Field, value: object, problem: str, allowed: str, next_step: str = "") -> InputError:
    return InputError([Fault(field.path, value, problem, allowed, next_step or "correct it or leave it out")])


def parse_json(field: Field, value: Any) -> Value:
    """One JSON value by its field. None, empty text and placeholders are not known. Raises InputError."""
    if value is None or (isinstance(value, str) and len(value) <= MAX_TEXT and not value.strip()):
        return None
    if field.kind in (Kind.TEXT, Kind.TERM):
        if not isinstance(value, str):
            raise _wrong(field, value, "is not text", "text")
        return _text(field, value) if field.kind is Kind.TEXT else _term(field, value)
    if isinstance(value, str) and stand_in(field, value):
        return None
    if field.kind is Kind.FLAG:
        if not isinstance(value, bool):
            raise _wrong(field, value, "is not true or false", "true, false")
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong(field, value, "is not a number", _bounds(field))
    return _number(field, value)


def parse_cell(field: Field, cell: str | None) -> Value:
    """One CSV cell by its field. An empty cell and a placeholder are not known. Raises InputError."""
    if cell is None or not cell.strip():
        return None
    if field.kind is Kind.TEXT:
        return _text(field, cell.strip())
    if field.kind is Kind.TERM:
        return _term(field, cell)
    if field.kind is Kind.FLAG:
        word = cell.strip().casefold()
        if word not in _FLAG_WORDS:
            if stand_in(field, cell):
                return None
            raise _wrong(field, cell, "is not true or false", "true, false")
        return _FLAG_WORDS[word]
    if not _NUMERAL.fullmatch(cell.strip()):
        if stand_in(field, cell):
            return None
        raise _wrong(field, cell, "is not a number", _bounds(field))
    try:
        return _number(field, float(cell))
    except InputError as error:
        raise InputError([replace(fault, value=cell.strip()) for fault in error.faults]) from None


_FLAG_WORDS = {"true": True, "false": False, "yes": True, "no": False, "1": True, "0": False}
_NUMERAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def _text(field: Field, value: str) -> str | None:
    # As it was sent: a document can say how long a text may be, but not what will be taken off it.
    if len(value) > MAX_TEXT:
        raise _wrong(field, value[:40] + "…", "is too long", f"at most {MAX_TEXT} characters")
    return None if stand_in(field, value) else _printable(field, value)


def _printable(field: Field, value: str) -> str:
    text = " ".join(value.split()) if field.flat != "serial" else value.strip()
    if not text.isprintable():
        raise _wrong(field, value, "holds a control character", "printable text")
    return text


def _term(field: Field, value: str) -> str | None:
    word = value.strip().casefold()
    if word not in field.names:
        if stand_in(field, value):
            return None
        close = nearest(word, field.names)
        hint = f"did you mean {close[0]}?" if close else "use one of the allowed terms or leave it out"
        raise InputError(
            [Fault(field.path, value, "is not a term of this field", ", ".join(field.names), hint, close)]
        )
    return word


def _number(field: Field, value: float) -> int | float:
    low, high = field.low, field.high
    assert low is not None and high is not None, f"{field.path} has no bounds"
    if not low <= value <= high:  # also false for NaN, and safe for integers past float's range
        raise _wrong(field, value, "is out of range", _bounds(field))
    if field.kind is Kind.INTEGER:
        if value != int(value):
            raise _wrong(field, value, "is not a whole number", _bounds(field))
        return int(value)
    return float(value)


def _bounds(field: Field) -> str:
    whole = "a whole number" if field.kind is Kind.INTEGER else "a number"
    return f"{whole} from {field.low:g} to {field.high:g}" if field.low is not None else whole


# ── the JSON form, where nothing in it is odd ────────────────────────────────

_Reader = Callable[[Any], Value]


def read_plain(data: Mapping[str, Any]) -> dict[str, Value] | None:
    """Flat name → value of a JSON form that is written plainly, as nearly all are; None for any other.

    It looks for no fault: where `parse_json` could find one, or would change more than the kind of a number,
    the answer is None; so it is where a text is read as nothing, which is to be noted.
    """
    found: dict[str, Value] = {}
    try:
        for name, value in data.items():
            target = _PLAIN[name]
            if isinstance(target, dict):
                for inner, inner_value in value.items():
                    flat, read = target[inner]
                    found[flat] = read(inner_value)
            else:
                found[target[0]] = target[1](value)
    except (KeyError, TypeError, AttributeError, InputError):
        return None
    return found if found.get("maker") and found.get("model") else None


def _plain_reader(field: Field) -> _Reader:
    if field.kind is Kind.TERM:
        terms: dict[Any, Value] = {None: None, **{name: name for name in field.names}}
        return terms.__getitem__
    if field.kind is Kind.TEXT:
        return _plain_text(field)
    if field.kind is Kind.FLAG:
        return lambda value: _plainly(field, value)
    return _plain_number(field)


def _plainly(field: Field, value: Any) -> Value:
    found = parse_json(field, value)
    if found is None and isinstance(value, str) and value.strip():
        raise KeyError(value)  # it is not plain: `read_plain` leaves it to the reader that makes notes
    return found


def _plain_text(field: Field) -> _Reader:
    def read(value: Any) -> Value:
        known = type(value) is str and value.strip() and len(value) <= MAX_TEXT
        return _printable(field, value) if known and not stand_in(field, value) else _plainly(field, value)

    return read


def _plain_number(field: Field) -> _Reader:
    low, high = field.low, field.high
    assert low is not None and high is not None, f"{field.path} has no bounds"
    kinds, made = ((int,), int) if field.kind is Kind.INTEGER else ((int, float), float)

    def read(value: Any) -> Value:
        if type(value) in kinds and low <= value <= high:
            return made(value)
        return _plainly(field, value)

    return read


_Target = tuple[str, _Reader]


def _plain_targets() -> dict[str, _Target | dict[str, _Target]]:
    found: dict[str, Any] = {}
    for field in FIELDS:
        group, _, name = field.path.rpartition(".")
        (found.setdefault(group, {}) if group else found)[name] = (field.flat, _plain_reader(field))
    return found


_PLAIN = _plain_targets()
