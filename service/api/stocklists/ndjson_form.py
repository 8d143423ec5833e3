"""Stock lists as NDJSON: each line in is a JSON object of an instrument, each line out has its values."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from types import SimpleNamespace
from typing import Any, NamedTuple

import orjson

from models.costs import LONGEST_SHOWN, MOST_FAULTS
from models.domain.cells import read_id
from models.domain.instrument import Described, read_nested
from models.domain.names import ALIKE, nearest
from models.domain.vocabulary import MAX_TEXT
from models.errors import BookmatchError, Fault, InputError
from models.tables.stocklist import FAMILIES, Asked, Own, Terms, level_name, read_asked
from models.valuation.valuer import Valuer
from service.api.stocklists.chunks import RowForm
from service.api.stocklists.schemas import dump_refused, dump_valued
from service.errors import BodyError, Located
from service.faults import told, with_pointers
from service.http.strict_json import parse

MEMBERS = ("id", "instrument", "date", "channel", "currency")
_BOM = b"\xef\xbb\xbf"
_UNDER = "instrument."


class Line(NamedTuple):
    """One line that is not blank: its number from 1, and its JSON object or the fault of the line."""

    line: int
    data: Mapping[str, Any]
    fault: Fault | None = None


class NdjsonForm(RowForm[Line]):
    """A stock list in NDJSON."""

    def __init__(self, lines: Iterable[bytes], valuer: Valuer, terms: Terms) -> None:
        super().__init__(valuer, terms)
        self._lines = self._run.metered(lines)

    def rows(self) -> Iterator[Line]:
        """Yield the lines that are not blank."""
        texts = ((number, text.removeprefix(_BOM).strip()) for number, text in enumerate(self._lines, 1))
        return (read_line(number, text) for number, text in texts if text)

    def answer(
        self, row: Line, asked: Any, result: Mapping[str, str] | BookmatchError
    ) -> tuple[bytes, str | None]:
        """Return a line's answer, and its value's word for evidence; None for a line that failed."""
        name = row.data.get("id")
        line = {"line": row.line, "id": name[:MAX_TEXT] if isinstance(name, str) else None}
        if isinstance(result, BookmatchError):
            return _line(dump_refused(SimpleNamespace(**line, errors=_located(result)))), None
        rate = self._valuer.rate_source(asked.currency)
        entry = dump_valued(SimpleNamespace(**line, **figures(result, self._terms.levels, rate)))
        return _line(entry), result["evidence"]

    def refusal(self, line: int, error: InputError) -> bytes:
        """Return a line without an id that says why the list is not read from this line on."""
        return _line(dump_refused(SimpleNamespace(line=line, id=None, errors=_located(error))))

    def asked(self, row: Line) -> Asked | InputError:
        """Return what a line asks for, or what is wrong with it."""
        if row.fault is not None:
            return InputError([row.fault])
        faults = [_unknown(name, value) for name, value in row.data.items() if name not in MEMBERS]
        name, *own = (_text(row.data, member, faults) for member in ("id", "date", "channel", "currency"))
        if name is not None:
            read_id(name, faults)
        own_terms = Own(*(text or "" for text in own))
        return read_asked(lambda: self._described(row.data), own_terms, faults, self._valuer, self._terms)

    def _described(self, data: Mapping[str, Any]) -> Described:
        given = data.get("instrument")
        if given is None:
            raise InputError([Fault("instrument", None, "is required", "an object", "say what to value")])
        try:
            return self._valuer.catalogue.read(read_nested, given)
        except InputError as error:
            # A row has members beside the instrument, so these faults must point inside its `instrument`.
            raise InputError([_inside(fault) for fault in error.faults]) from None


def read_line(number: int, text: bytes) -> Line:
    """Read the JSON object of a line, or the reason why it has none."""
    try:
        data = parse(text)
        if isinstance(data, dict):
            return Line(number, data)
        problem = "is JSON, but not an object"
    except orjson.JSONDecodeError as error:
        problem = f"is not JSON: {error.msg} at column {error.colno}"
    except BodyError as error:
        problem = f"cannot be read: {error}".rstrip(".")
    shown = text[: 4 * LONGEST_SHOWN].decode("utf-8", "replace")[:LONGEST_SHOWN]
    return Line(number, {}, Fault("row", shown, problem, "one JSON object on each line", "correct the line"))


def _line(entry: Mapping[str, Any]) -> bytes:
    return orjson.dumps(entry) + b"\n"


def figures(cells: Mapping[str, str], levels: Sequence[float], rate_source: str) -> dict[str, Any]:
    """Return the cells of `models.tables.stocklist.value_cells` as JSON members; money is decimal text."""
    names = [(level, level_name(level)) for level in levels]
    return {
        **{name: cells[name] for name in ("date", "channel", "currency", "rate_day")},
        "rate_source": rate_source,
        "value": cells["value"],
        "intervals": [
            SimpleNamespace(level=level, low=cells[f"low_{name}"], high=cells[f"high_{name}"])
            for level, name in names
        ],
        "reference_value": cells["reference_value"],
        "effects": SimpleNamespace(**{str(one): float(cells[f"effect_{one}"]) for one in FAMILIES}),
        "evidence": cells["evidence"],
        "cautions": cells["cautions"].split(";") if cells["cautions"] else [],
    }


def _text(data: Mapping[str, Any], member: str, faults: list[Fault]) -> str | None:
    """Return a member's text, "" if it is left out; for another type return None and add to `faults`."""
    value = data.get(member)
    if value is None:
        return ""
    if not isinstance(value, str):
        faults.append(Fault(member, value, "is not text", "text", "put it in quotes"))
        return None
    return value.strip()


def _unknown(name: str, value: object) -> Fault:
    near = partial(nearest, name, MEMBERS, 1, ALIKE)
    return Fault(name, value, "is not a member of a row", ", ".join(MEMBERS), "leave it out", near)


def _inside(fault: Fault) -> Fault:
    return fault if fault.field == "instrument" else replace(fault, field=_UNDER + fault.field)


def _located(error: BookmatchError) -> list[Located]:
    """Return the faults of a row with pointers into the line's object, and fields named as in all answers."""
    if not isinstance(error, InputError):
        return [Located(None, Fault("row", None, str(error)))]
    left = len(error.faults) - MOST_FAULTS
    more = [Located(None, Fault("row", None, f"has {left:,} more faults"))] if left > 0 else []
    found = [
        Located(
            None if fault.field == "row" else pointer, replace(fault, field=fault.field.removeprefix(_UNDER))
        )
        for pointer, fault in with_pointers(told(error.faults))
    ]
    return [*found, *more]
