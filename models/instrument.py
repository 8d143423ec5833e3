"""One specimen, read from JSON or CSV by one validator and written back as it came."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from datetime import date
from operator import attrgetter
from typing import Any

from models.errors import Fault, InputError
from models.names import nearest
from models.vocabulary import BY_FLAT, BY_PATH, FIELDS, GROUPS, MAX_TEXT, Field, Kind

Value = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Instrument:
    """One physical specimen, flat; None is *not known*. Field meanings: `models.vocabulary`."""

    maker: str
    model: str
    edition: str | None = None
    year: int | None = None
    finish: str | None = None
    serial: str | None = None
    edition_number: int | None = None
    build: str | None = None
    figure: float | None = None
    weight_kg: float | None = None
    condition_top: float | None = None
    condition_back: float | None = None
    condition_neck: float | None = None
    condition_headstock: float | None = None
    condition_frets: float | None = None
    condition_hardware: float | None = None
    condition_electronics: str | None = None
    condition_structure: str | None = None
    originality_finish: str | None = None
    originality_pickups: str | None = None
    originality_wiring: str | None = None
    originality_tuners: str | None = None
    originality_bridge: str | None = None
    originality_tailpiece: str | None = None
    originality_nut: str | None = None
    originality_pickguard: str | None = None
    originality_frets: str | None = None
    originality_routing: str | None = None
    provenance_history: str | None = None
    provenance_paperwork: bool | None = None
    provenance_case: str | None = None

    def get(self, field: Field) -> Value:
        """The value of one vocabulary field, None where it is not known."""
        value: Value = getattr(self, field.flat)
        return value

    def values(self) -> tuple[Value, ...]:
        """Of every field, in the vocabulary's order."""
        return _VALUES_OF(self)

    def but(self, **changes: Value) -> Instrument:
        """The same specimen with some fields changed, by flat name."""
        return replace(self, **changes)  # type: ignore[arg-type]

    def unknown(self) -> tuple[Field, ...]:
        """The fields that are not known, in the vocabulary's order; an empty edition is known."""
        return tuple(f for f in FIELDS if f.path != "edition" and self.get(f) is None)

    def to_nested(self) -> dict[str, Any]:
        """The JSON form; what is not known is left out."""
        out: dict[str, Any] = {}
        for field in FIELDS:
            value = self.get(field)
            if value is None:
                continue
            group, _, name = field.path.rpartition(".")
            (out.setdefault(group, {}) if group else out)[name] = value
        return out

    def to_flat(self) -> dict[str, str]:
        """The CSV form; what is not known is empty."""
        return {field.flat: _written(self.get(field)) for field in FIELDS}

    @classmethod
    def from_nested(cls, data: Mapping[str, Any]) -> Instrument:
        """Read the JSON form. Raises InputError with every fault: unknown names, types, terms, bounds."""
        if not isinstance(data, Mapping):
            raise InputError([Fault("instrument", data, "is not an object", "a JSON object")])
        faults: list[Fault] = []
        return cls._collect(_flattened(data, faults), parse_json, faults)

    @classmethod
    def from_flat(cls, row: Mapping[str, str | None]) -> Instrument:
        """Read the CSV form: only the instrument's own columns are looked at.

        Raises InputError whose faults name the columns.
        """
        cells = {flat: row.get(flat) for flat in BY_FLAT}
        try:
            return cls._collect(cells, parse_cell, [])
        except InputError as error:
            faults = [replace(fault, field=BY_PATH[fault.field].flat) for fault in error.faults]
            raise InputError(faults) from None

    @classmethod
    def _collect(
        cls, given: Mapping[str, Any], parse: Callable[[Field, Any], Value], faults: list[Fault]
    ) -> Instrument:
        values: dict[str, Value] = {}
        for field in FIELDS:
            try:
                values[field.flat] = parse(field, given.get(field.flat))
            except InputError as error:
                faults.extend(error.faults)
            else:
                if field.flat in ("maker", "model") and values[field.flat] is None:
                    faults.append(
                        Fault(
                            field.path,
                            given.get(field.flat),
                            "is required",
                            "text",
                            f"name the {field.label}",
                        )
                    )
        if faults:
            raise InputError(faults)
        return cls(**values)  # type: ignore[arg-type]


_VALUES_OF: Callable[[Instrument], tuple[Value, ...]] = attrgetter(*BY_FLAT)
FLAT_NAMES = tuple(f.name for f in fields(Instrument))


def _written(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) and value.is_integer() else str(value)


def _flattened(data: Mapping[str, Any], faults: list[Fault]) -> dict[str, Any]:
    """Nested JSON to flat names; unknown names become faults that suggest the nearest."""
    out: dict[str, Any] = {}
    for key, value in data.items():
        if key in GROUPS:
            if value is None:
                continue
            if not isinstance(value, Mapping):
                faults.append(Fault(key, value, "is not an object", "a JSON object of its fields"))
                continue
            for inner, inner_value in value.items():
                _place(f"{key}.{inner}", inner_value, out, faults)
        else:
            _place(str(key), value, out, faults)
    return out


def _place(path: str, value: Any, out: dict[str, Any], faults: list[Fault]) -> None:
    field = BY_PATH.get(path)
    if field is None:
        close = nearest(path, BY_PATH)
        hint = f"did you mean {close[0]}?" if close else "see the vocabulary for the fields"
        faults.append(Fault(path, value, "is not a field of an instrument", "", hint, close))
    else:
        out[field.flat] = value


def _wrong(field: Field, value: object, problem: str, allowed: str, next_step: str = "") -> InputError:
    return InputError([Fault(field.path, value, problem, allowed, next_step or "correct it or leave it out")])


def parse_json(field: Field, value: Any) -> Value:
    """One JSON value by its field. None and empty text are not known. Raises InputError."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    if field.kind in (Kind.TEXT, Kind.TERM):
        if not isinstance(value, str):
            raise _wrong(field, value, "is not text", "text")
        return _text(field, value) if field.kind is Kind.TEXT else _term(field, value)
    if field.kind is Kind.FLAG:
        if not isinstance(value, bool):
            raise _wrong(field, value, "is not true or false", "true, false")
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong(field, value, "is not a number", _bounds(field))
    return _number(field, value)


def parse_cell(field: Field, cell: str | None) -> Value:
    """One CSV cell by its field. An empty cell is not known. Raises InputError."""
    if cell is None or not cell.strip():
        return None
    if field.kind is Kind.TEXT:
        return _text(field, cell)
    if field.kind is Kind.TERM:
        return _term(field, cell)
    if field.kind is Kind.FLAG:
        word = cell.strip().casefold()
        if word not in _FLAG_WORDS:
            raise _wrong(field, cell, "is not true or false", "true, false")
        return _FLAG_WORDS[word]
    if not _NUMERAL.fullmatch(cell.strip()):
        raise _wrong(field, cell, "is not a number", _bounds(field))
    try:
        return _number(field, float(cell))
    except InputError as error:
        raise InputError([replace(fault, value=cell.strip()) for fault in error.faults]) from None


_FLAG_WORDS = {"true": True, "false": False, "yes": True, "no": False, "1": True, "0": False}
_NUMERAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def _text(field: Field, value: str) -> str:
    text = " ".join(value.split()) if field.flat != "serial" else value.strip()
    if len(text) > MAX_TEXT:
        raise _wrong(field, text[:40] + "…", "is too long", f"at most {MAX_TEXT} characters")
    if not text.isprintable():
        raise _wrong(field, value, "holds a control character", "printable text")
    return text


def _term(field: Field, value: str) -> str:
    word = value.strip().casefold()
    if word not in field.names:
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


@dataclass(frozen=True, slots=True)
class Subject:
    """What is valued: a specimen, the day of the value and the channel of the market."""

    instrument: Instrument
    day: date
    channel: str

    def but(self, **changes: Value) -> Subject:
        """The same day and channel with some fields of the instrument changed."""
        return replace(self, instrument=self.instrument.but(**changes))
