"""Reading one field's value, from JSON or from a CSV cell."""

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

from models.domain.names import nearest, normal
from models.domain.vocabulary import FIELDS, MAX_TEXT, NO_EDITION, PLACEHOLDERS, Field, Kind
from models.errors import Fault, InputError

Value = str | int | float | bool | None


class Note(NamedTuple):
    """A note that a text such as "unknown" was read as *not known*. `word`: the text, as it is compared."""

    field: str
    word: str


def stand_in(field: Field, text: str) -> str | None:
    """Return the placeholder (as "unknown") that this text is; None if the text is a value of the field.

    Look for the field's terms first: `none` is a placeholder in one field and a term in another.
    """
    words = _STAND_INS.get(field.path)  # None for fields that only rules of common practice name.
    if not words or len(text) > MAX_TEXT:
        return None
    word = normal(text)
    return word if word in words else None


def _stand_ins(field: Field) -> frozenset[str]:
    if field.path in ("maker", "model"):
        return frozenset()  # Maker and model are required, so every text is looked up as a name.
    if field.path == "edition":
        return PLACEHOLDERS | NO_EDITION
    # Two instruments whose serial is "none" must not count as the same one. In other kinds of fields
    # "none" is an answer.
    return PLACEHOLDERS | {"none"} if field.kind is Kind.TEXT else PLACEHOLDERS


_STAND_INS = {field.path: _stand_ins(field) for field in FIELDS}


def note_of(field: Field, given: object) -> Note | None:
    """Return the note on a placeholder that was read as *not known*; None if no placeholder was given."""
    word = stand_in(field, given) if isinstance(given, str) else None
    return Note(field.path, word) if word else None


def _wrong(field: Field, value: object, problem: str, allowed: str, next_step: str = "") -> InputError:
    return InputError([Fault(field.path, value, problem, allowed, next_step or "correct it or leave it out")])


def _not_number(field: Field, value: object, *, quoted: bool = False) -> InputError:
    """Say that this is no number, and what was probably meant. `quoted`: JSON has it as text, in quotes."""
    text = value.strip() if isinstance(value, str) else ""
    bare = " without quotes" if quoted else ""
    if _COMMA.fullmatch(text):
        step = f"write the decimal point as a point: {text.replace(',', '.')}{bare}"
        return _wrong(field, value, "has a decimal comma", _bounds(field), step)
    if quoted and _NUMERAL.fullmatch(text):
        return _wrong(field, value, "is text, not a number", _bounds(field), f"send {text}{bare}")
    close = nearest(text, [term.meaning for term in field.terms], 1, _ALIKE) if text else ()
    grades = tuple(term.name for term in field.terms if term.meaning in close)
    if not grades:
        return _wrong(field, value, "is not a number", _bounds(field))
    hint = f"did you mean {grades[0]} ({close[0]}){',' * quoted}{bare}?"
    return InputError(
        [Fault(field.path, value, "is not a number", _bounds(field), hint, partial(tuple, grades), hinted=0)]
    )


def _not_flag(field: Field, value: object) -> InputError:
    word = value.strip().casefold() if isinstance(value, str) else ""
    if word not in ("true", "false"):
        return _wrong(field, value, "is not true or false", "true, false")
    return _wrong(field, value, "is text, not true or false", "true, false", f"send {word} without quotes")


def parse_json(field: Field, value: Any) -> Value:
    """Read one JSON value of a field. Null, empty text and placeholders give None. Raises InputError."""
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
            raise _not_flag(field, value)
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _not_number(field, value, quoted=True)
    return _number(field, value)


def parse_cell(field: Field, cell: str | None) -> Value:
    """Read one CSV cell of a field. An empty cell and a placeholder give None. Raises InputError."""
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
        raise _not_number(field, cell)
    try:
        return _number(field, float(cell))
    except InputError as error:
        raise InputError([replace(fault, value=cell.strip()) for fault in error.faults]) from None


_FLAG_WORDS = {"true": True, "false": False, "yes": True, "no": False, "1": True, "0": False}
_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_ALIKE = 0.75  # Likeness from which a word is taken for the meaning of a grade.
_NUMERAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def _text(field: Field, value: str) -> str | None:
    # The limit holds for the text as sent, spaces included, so that it matches the published schema.
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
        hint, near = "use one of the allowed terms or leave it out", partial(nearest, word, field.names)
        raise InputError(
            [Fault(field.path, value, "is not a term of this field", ", ".join(field.names), hint, near)]
        )
    return word


def _number(field: Field, value: float) -> int | float:
    low, high = field.low, field.high
    assert low is not None and high is not None, f"{field.path} has no bounds"
    if not low <= value <= high:  # This form also refuses NaN, and works on integers too large for a float.
        raise _wrong(field, value, "is out of range", _bounds(field))
    if field.kind is Kind.INTEGER:
        if value != int(value):
            raise _wrong(field, value, "is not a whole number", _bounds(field))
        return int(value)
    return float(value)


def plain(number: float | None) -> str:
    """Write a number in full, without an exponent and without a trailing .0."""
    return f"{number:f}".rstrip("0").rstrip(".") if number is not None else ""


def _bounds(field: Field) -> str:
    whole = "a whole number" if field.kind is Kind.INTEGER else "a number"
    return f"{whole} from {plain(field.low)} to {plain(field.high)}" if field.low is not None else whole


# ── a fast reader for JSON without faults or placeholders ────────────────────

_Reader = Callable[[Any], Value]


def read_plain(data: Mapping[str, Any]) -> dict[str, Value] | None:
    """Read a JSON form without faults quickly, as flat name → value; None where `parse_json` must read it.

    `parse_json` is needed to word a fault and to note a placeholder; nearly all requests have neither.
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
        return partial(_plain_text, field)
    if field.kind is Kind.FLAG:
        return partial(_plainly, field)
    return _plain_number(field)


def _plainly(field: Field, value: Any) -> Value:
    found = parse_json(field, value)
    if found is None and isinstance(value, str) and value.strip():
        raise KeyError(value)  # A placeholder needs a note, so `read_plain` must give up here.
    return found


def _plain_text(field: Field, value: Any) -> Value:
    known = type(value) is str and value.strip() and len(value) <= MAX_TEXT
    return _printable(field, value) if known and not stand_in(field, value) else _plainly(field, value)


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
