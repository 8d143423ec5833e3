"""One instrument: read from JSON or CSV by one validator, and written back in either form."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date
from functools import partial
from typing import Any, NamedTuple

from models.domain.names import ALIKE, nearest, normal, normal_serial
from models.domain.parsing import Note, note_of, parse_cell, parse_json, read_plain
from models.domain.parsing import Value as Value
from models.domain.spellings import likely_field
from models.domain.vocabulary import BY_FLAT, BY_PATH, FIELDS, GROUPS, Field
from models.errors import Fault, InputError


class Instrument(NamedTuple):
    """One physical instrument, a flat tuple of its fields; None means *not known*.

    `models.domain.vocabulary` says what each field means.
    """

    # This is a tuple because every request makes one: a frozen dataclass takes five times as long to make.

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
        """Return the value of one vocabulary field, None where it is not known."""
        value: Value = getattr(self, field.flat)
        return value

    @property
    def specimen(self) -> str | None:
        """A key that all records of this very instrument share; None without a serial number."""
        named = f"{normal(self.maker)}|{normal(self.model)}"
        return f"{named}|{normal_serial(self.serial)}" if self.serial else None

    def values(self) -> tuple[Value, ...]:
        """The values of every field, in the vocabulary's order."""
        return tuple(self)

    def but(self, **changes: Value) -> "Instrument":
        """Return a copy with some fields changed; the keywords are flat field names."""
        return self._replace(**changes)  # type: ignore[arg-type]

    def to_nested(self) -> dict[str, Any]:
        """Return the nested JSON form; fields that are not known are left out."""
        out: dict[str, Any] = {}
        for (group, name), value in zip(_NESTED, self.values(), strict=True):
            if value is not None:
                (out.setdefault(group, {}) if group else out)[name] = value
        return out

    def to_flat(self) -> dict[str, str]:
        """Return the CSV form, column → text; fields that are not known are empty."""
        return {field.flat: written(self.get(field)) for field in FIELDS}

    @classmethod
    def from_nested(cls, data: Mapping[str, Any]) -> "Instrument":
        """Read the JSON form. Raises InputError with every fault: unknown names, types, terms, bounds."""
        return read_nested(data).instrument

    @classmethod
    def from_flat(cls, row: Mapping[str, str | None]) -> "Instrument":
        """Read the CSV form, column → text; columns that are no field of an instrument are ignored.

        Raises InputError whose faults name the columns.
        """
        return read_flat(row).instrument


class Described(NamedTuple):
    """An instrument as it was read, with a note on each text that was read as *not known*."""

    instrument: Instrument
    notes: tuple[Note, ...] = ()


def read_nested(data: Mapping[str, Any]) -> Described:
    """Read the JSON form, with notes on texts read as *not known*. Raises as `Instrument.from_nested`."""
    if not isinstance(data, Mapping):
        raise InputError([Fault("instrument", data, "is not an object", "a JSON object")])
    plain = read_plain(data)
    return Described(Instrument(**plain)) if plain is not None else _read_odd(data)  # type: ignore[arg-type]


def _read_odd(data: Mapping[str, Any]) -> Described:
    faults: list[Fault] = []
    return _collect(_flattened(data, faults), parse_json, faults)


def read_flat(row: Mapping[str, str | None]) -> Described:
    """Read the CSV form, with notes on texts read as *not known*. Raises as `Instrument.from_flat`."""
    cells = {flat: row.get(flat) for flat in BY_FLAT}
    try:
        return _collect(cells, parse_cell, [])
    except InputError as error:
        faults = [replace(fault, field=BY_PATH[fault.field].flat) for fault in error.faults]
        raise InputError(faults) from None


def _collect(
    given: Mapping[str, Any], parse: Callable[[Field, Any], Value], faults: list[Fault]
) -> Described:
    values: dict[str, Value] = {}
    notes: list[Note | None] = []
    for field in FIELDS:
        value = given.get(field.flat)
        try:
            values[field.flat] = parse(field, value)
        except InputError as error:
            faults.extend(error.faults)
            continue
        if values[field.flat] is None:
            notes.append(note_of(field, value) if value else None)
            if field.flat in ("maker", "model"):
                faults.append(Fault(field.path, value, "is required", "text", f"name the {field.label}"))
    if faults:
        raise InputError(faults)
    return Described(Instrument(**values), tuple(filter(None, notes)))  # type: ignore[arg-type]


_NESTED = tuple(path.rpartition(".")[::2] for path in BY_PATH)
FLAT_NAMES = Instrument._fields


def written(value: Value) -> str:
    """Return a field's value as the text of a CSV cell; None becomes empty text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) and value.is_integer() else str(value)


def _flattened(data: Mapping[str, Any], faults: list[Fault]) -> dict[str, Any]:
    """Turn nested JSON into flat name → value; each unknown name adds a fault that suggests the nearest."""
    out: dict[str, Any] = {}
    for key, value in data.items():
        if key in GROUPS:
            if value is None:
                continue
            if not isinstance(value, Mapping):
                faults.append(Fault(key, value, "is not an object", "a JSON object of its fields"))
                continue
            for inner, inner_value in value.items():
                _put(f"{key}.{inner}", inner_value, out, faults)
        else:
            _put(str(key), value, out, faults)
    return out


def _put(path: str, value: Any, out: dict[str, Any], faults: list[Fault]) -> None:
    field = BY_PATH.get(path)
    if field is None:
        # Only groups of fields are objects, so the nearest group is suggested for an unknown object.
        faults.append(unknown_field(path, value))
    else:
        out[field.flat] = value


def unknown_field(path: str, value: object) -> Fault:
    """Return the fault for a field that does not exist; it suggests the field or group probably meant."""
    group = isinstance(value, Mapping)
    near = partial(nearest, path, GROUPS, 1, ALIKE) if group else partial(likely_field, path)
    hint = "see the vocabulary for the fields"
    return Fault(path, value, "is not a field of an instrument", "", hint, near)


class Subject(NamedTuple):
    """The subject of a valuation: an instrument, the day of the value, and the channel of the market.

    `notes`: one for each text of the instrument's description that was read as *not known*.
    """

    instrument: Instrument
    day: date
    channel: str
    notes: tuple[Note, ...] = ()

    def but(self, **changes: Value) -> "Subject":
        """Return a copy with some fields of the instrument changed; the keywords are flat field names."""
        return self._replace(instrument=self.instrument.but(**changes))
