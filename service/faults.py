"""Faults with pointers into the body, so that a form can show each beside the right field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from typing import Any, NamedTuple, TypeVar
from urllib.parse import quote

from marshmallow import Schema, fields

from models.costs import LONGEST_SHOWN, MOST_FAULTS
from models.domain.names import ALIKE, nearest
from models.errors import Fault
from service.dumping import Made, Text, described, dumper, objects
from service.errors import Located

T = TypeVar("T")


def pointer_to(*names: str) -> str:
    """Return the JSON pointer, as a URI fragment, of the member at this path of names."""
    return "#" + "".join(f"/{_escaped(name)}" for name in names)


def _escaped(name: str) -> str:
    # RFC 6901 writes ~ as ~0 and / as ~1; a URI fragment is percent-encoded besides.
    return quote(name[:LONGEST_SHOWN].replace("~", "~0").replace("/", "~1"), safe="~")


def with_pointers(faults: Iterable[Fault], under: str = "") -> list[Located]:
    """Return the models' faults, named by dotted path, with pointers below the member `under` of the body."""
    return [Located(pointer_to(*_names(fault.field, under)), fault) for fault in faults]


def names_of(path: str) -> list[str]:
    """Return the names of a dotted path, which is cut where it is long."""
    return path[: 2 * LONGEST_SHOWN].split(".")


def _names(path: str, under: str) -> list[str]:
    names = names_of(path)
    return [under, *names] if under and names != [under] else names


def told(faults: Sequence[T]) -> Sequence[T]:
    """Return the faults that an answer lists: the first `MOST_FAULTS`."""
    return faults[:MOST_FAULTS]


def from_marshmallow(messages: Mapping[Any, Any], data: Mapping[str, Any], schema: Schema) -> list[Located]:
    """Turn marshmallow's messages into faults: ours are taken as they are, its texts become faults."""
    found: list[Located] = []
    for name, texts in messages.items():
        for message in texts if isinstance(texts, list) else [texts]:
            found.append(message if isinstance(message, Located) else _read(str(name), message, data, schema))
    return found


def _read(name: str, message: Any, data: Mapping[str, Any], schema: Schema) -> Located:
    value = data.get(name)
    if name not in schema.fields:
        known = list(schema.fields)
        near = partial(nearest, name, known, 1, ALIKE)
        fault = Fault(name, value, "is not a field of this request", ", ".join(known), "leave it out", near)
    elif name not in data:
        fault = Fault(name, None, "is required", "", f"send {name}")
    else:
        text = str(message).rstrip(".")
        fault = Fault(name, value, text[:1].lower() + text[1:], "", "correct it or leave it out")
    return Located(pointer_to(name), fault)


def shown(value: object) -> object:
    """The part of a wrong value that is said back."""
    if value is None or isinstance(value, bool | float):
        return value
    if isinstance(value, int):
        return value if abs(value) < 2**53 else str(value)[:LONGEST_SHOWN]
    if isinstance(value, str):
        return value if len(value) <= LONGEST_SHOWN else value[: LONGEST_SHOWN - 1] + "…"
    return "an object" if isinstance(value, Mapping) else "an array"


class FaultSchema(Schema):
    """One thing wrong with one field."""

    pointer = fields.String(
        **described("where in the body, a JSON pointer; null: not in the body", optional=True)
    )
    field = Text(lambda path: path[:LONGEST_SHOWN], attribute="fault.field", **described("the field by path"))
    value = Made(
        shown, attribute="fault.value", **described("what was sent, cut where it is long", optional=True)
    )
    problem = fields.String(attribute="fault.problem", **described("what is wrong with it"))
    allowed = fields.String(attribute="fault.allowed", **described("what is allowed; may be empty"))
    next_step = fields.String(attribute="fault.next_step", **described("what to do about it; may be empty"))
    suggestions = fields.List(
        fields.String(), attribute="fault.suggestions", **described("the nearest names, nearest first")
    )


LISTED = {
    "description": f"the first {MOST_FAULTS} faults; detail says how many more; only where fields are wrong",
    "maxItems": MOST_FAULTS,
}


class RowSchema(Schema):
    """The members that name a row of a file."""

    line = fields.Integer(**described("the line of the file that the row starts on"))
    id = fields.String(**described("the row's id, where one could be read; else empty"))


class RefusedRowSchema(FaultSchema, RowSchema):
    """One thing wrong with one row of a file."""


class RefusedRow(NamedTuple):
    """A fault of a row of a file; `pointer`: into the object of its line, where it has one."""

    line: int
    id: str
    pointer: str | None
    fault: Fault


class RecordWarningSchema(Schema):
    """A reason to doubt a record that was taken all the same."""

    code = fields.String(
        **described(
            "which reason it is",
            enum=[
                "date_before_made",
                "date_in_future",
                "price_high",
                "price_low",
                "outcome_before_value",
                "outcome_far_from_range",
            ],
        )
    )
    field = fields.String(**described("the field that it is about", enum=["date", "price"]))
    message = fields.String(**described("the field, its value, what is usual, and what to do about it"))


class RowWarningSchema(RecordWarningSchema, RowSchema):
    """A reason to doubt a row of a file that was taken all the same."""


class RowWarning(NamedTuple):
    """A reason to doubt a row of a file."""

    line: int
    id: str
    code: str
    field: str
    message: str


class IntakeReportSchema(Schema):
    """A report on the rows of a file: each was accepted, corrected, refused or left out."""

    rows = fields.Integer(**described("how many rows the file has"))
    accepted = fields.Integer(**described("how many were kept as new records, all in one step"))
    corrected = fields.Integer(
        **described("how many corrected the record that has their id; 0 without `corrections`")
    )
    refused = fields.Integer(**described("how many are wrong, and were left out"))
    changed = fields.Integer(
        **described("how many were left out because the record with their id says something else")
    )
    duplicates = fields.Integer(
        **described("how many were left out: their id came earlier in the file, or a record says the same")
    )
    warned = fields.Integer(
        **described("how many were taken with warnings; no fit uses them before they are confirmed")
    )
    faults = objects(RefusedRowSchema, "what is wrong with which row")
    faults_left_out = fields.Integer(
        attribute="left_out", **described("how many more faults there are than are listed")
    )
    warnings = objects(RowWarningSchema, "what is hard to believe in which row that was taken")
    warnings_left_out = fields.Integer(**described("how many more warnings there are than are listed"))
    ignored_columns = fields.List(fields.String(), **described("columns of the file that were ignored"))


class ItemReportSchema(Schema):
    """A report on the rows of a file of items: each was written, found unchanged, or refused."""

    rows = fields.Integer(**described("how many rows the file has"))
    created = fields.Integer(**described("how many are new items, or deleted ones that are there again"))
    changed = fields.Integer(**described("how many changed an item"))
    unchanged = fields.Integer(**described("how many say what the item says already; nothing was written"))
    refused = fields.Integer(**described("how many are wrong, and were left out"))
    faults = objects(RefusedRowSchema, "what is wrong with which row; `id` is its stock number")
    faults_left_out = fields.Integer(**described("how many more faults there are than are listed"))


class ProblemHeadSchema(Schema):
    """The members that every problem document has."""

    type = Text(
        lambda name: f"/docs#problem-{name}",
        attribute="kind.name",
        **described("the kind of problem, as a link into the documentation"),
    )
    title = fields.String(attribute="kind.title", **described("the kind in words"))
    status = fields.Integer(attribute="kind.status", **described("the HTTP status"))
    detail = fields.String(**described("what went wrong this time, in words"))
    instance = fields.String(**described("the path of the request"))
    request_id = fields.String(**described("what to name when asking for help", optional=True))


class ProofSchema(Schema):
    """A challenge to be solved, so that a request for an appraisal is taken."""

    challenge = fields.String(**described("the challenge, which holds once, from your network alone"))
    bits = fields.Integer(**described("how many zero bits the SHA-256 of challenge:number must begin with"))
    seconds = fields.Integer(**described("seconds for which the challenge holds"))


class ProblemSchema(ProblemHeadSchema):
    """A problem document (RFC 9457)."""

    errors = fields.List(fields.Nested(FaultSchema), metadata=LISTED)
    report = fields.Nested(
        IntakeReportSchema, metadata={"description": "of a file's rows; only where all had to be right"}
    )
    item_report = fields.Nested(
        ItemReportSchema, metadata={"description": "of a file of items; only where all had to be right"}
    )
    proof = fields.Nested(
        ProofSchema, metadata={"description": "what to solve; only where a proof is needed"}
    )


dump_fault, dump_report = dumper(FaultSchema), dumper(IntakeReportSchema)
dump_item_report = dumper(ItemReportSchema)
