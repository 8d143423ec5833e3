"""Stock lists as NDJSON: each line in is a JSON object of an instrument, each line out has its values."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, NamedTuple

import orjson

from models.domain.cells import read_id
from models.domain.instrument import Described, read_nested
from models.domain.names import ALIKE, nearest
from models.errors import BookmatchError, Fault, InputError
from models.tables.stocklist import FAMILIES, Asked, Own, Terms, level_name, read_asked, value_subjects
from models.valuation.valuer import Valuer
from service.api.stocklists.chunks import Answered, chunked
from service.api.stocklists.schemas import dump_refused, dump_valued
from service.errors import BodyError, Located
from service.faults import with_pointers
from service.http.strict_json import check_names

MEMBERS = ("id", "instrument", "date", "channel", "currency")
_BOM = b"\xef\xbb\xbf"
_UNDER = "instrument."
_SHOWN = 80  # largest number of characters that a fault repeats of an unreadable line


class Line(NamedTuple):
    """One line that is not blank: its number from 1, and its JSON object or the fault of the line."""

    number: int
    data: Mapping[str, Any]
    fault: Fault | None = None


class NdjsonForm:
    """A stock list in NDJSON."""

    ignored: Sequence[str] = ()

    def __init__(self, lines: Iterable[bytes], valuer: Valuer, terms: Terms) -> None:
        self._lines, self._valuer, self._terms = lines, valuer, terms

    def answers(self) -> Iterator[Answered]:
        """Yield the values of the rows, chunk by chunk."""
        texts = ((number, text.removeprefix(_BOM).strip()) for number, text in enumerate(self._lines, 1))
        for rows in chunked(read_line(number, text) for number, text in texts if text):
            yield self._answered(rows)

    def _answered(self, rows: Sequence[Line]) -> Answered:
        read = [self._asked(row) for row in rows]
        results = list(value_subjects(read, self._valuer, self._terms))
        entries = [self._entry(*both) for both in zip(rows, read, results, strict=True)]
        text = b"".join(orjson.dumps(entry) + b"\n" for entry in entries)
        words = [entry["evidence"] for entry in entries if "evidence" in entry]
        return Answered(text, words, len(rows) - len(words))

    def _entry(
        self, row: Line, asked: Asked | InputError, result: Mapping[str, str] | BookmatchError
    ) -> dict[str, Any]:
        name = row.data.get("id")
        line = {"line": row.number, "id": name if isinstance(name, str) else None}
        if isinstance(asked, Asked) and not isinstance(result, BookmatchError):
            rate = self._valuer.rate_source(asked.currency)
            return dump_valued(SimpleNamespace(**line, **figures(result, self._terms.levels, rate)))
        assert isinstance(result, BookmatchError)
        return dump_refused(SimpleNamespace(**line, errors=_located(result)))

    def _asked(self, row: Line) -> Asked | InputError:
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
        data = orjson.loads(text)
        if isinstance(data, dict):
            check_names(text, data)
            return Line(number, data)
        problem = "is JSON, but not an object"
    except orjson.JSONDecodeError as error:
        problem = f"is not JSON: {error.msg} at column {error.colno}"
    except BodyError as error:
        problem = f"cannot be read: {error}".rstrip(".")
    shown = text.decode("utf-8", "replace")[:_SHOWN]
    return Line(number, {}, Fault("row", shown, problem, "one JSON object on each line", "correct the line"))


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
    close = nearest(name, MEMBERS, 1, ALIKE)
    hint = f"did you mean {close[0]}?" if close else "leave it out"
    return Fault(name, value, "is not a member of a row", ", ".join(MEMBERS), hint, close)


def _inside(fault: Fault) -> Fault:
    return fault if fault.field == "instrument" else replace(fault, field=_UNDER + fault.field)


def _located(error: BookmatchError) -> list[Located]:
    """Return the faults of a row with pointers into the line's object, and fields named as in all answers."""
    if not isinstance(error, InputError):
        return [Located(None, Fault("row", None, str(error)))]

    return [
        Located(
            None if fault.field == "row" else pointer, replace(fault, field=fault.field.removeprefix(_UNDER))
        )
        for pointer, fault in with_pointers(error.faults)
    ]
