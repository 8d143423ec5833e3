"""Members and options that the schemas of all API resources share."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from marshmallow import Schema, fields

from models.domain.evidence import AMOUNT
from models.domain.money import NO_RATE_NEEDED
from models.valuation.levels import LEAST_LEVEL, MOST_LEVEL, MOST_LEVELS
from service.http.dumping import Converted, Text

# Days from 1900 to 2100, as `models.domain.cells` and `models.tables.stocklist` read them.
DAY: Mapping[str, Any] = {
    "format": "date",
    "pattern": r"^(19\d\d|20\d\d|2100)-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$",
}
CURRENCY: Mapping[str, Any] = {"pattern": "^[A-Za-z]{3}$", "example": "EUR"}
PRICE: Mapping[str, Any] = {
    "type": ["string", "number"],
    "pattern": f"^{AMOUNT.pattern}$",
    "minimum": 0.01,
    "maximum": 1e12,
}
LEVELS: Mapping[str, Any] = {
    "items": {"type": "number", "minimum": LEAST_LEVEL, "maximum": MOST_LEVEL},
    "minItems": 1,
    "maxItems": MOST_LEVELS,
}


def described(text: str, *, optional: bool = False, **more: Any) -> dict[str, Any]:
    """Return the options of a member that every answer has. `optional`: its value can be null."""
    return {"required": True, "allow_none": optional, "metadata": {"description": text, **more}}


def money(text: str, *, required: bool = True, optional: bool = False, attribute: str | None = None) -> Text:
    """Return a member for an amount of money, which is decimal text, so that no reader makes it a float."""
    options = described(text, optional=optional, pattern=r"^-?\d+(\.\d+)?$")
    return Text(str, attribute=attribute, **{**options, "required": required})


def rate_members(*, required: bool = True, of: str = "rate_") -> dict[str, fields.Field[Any]]:
    """Return the members of an answer that name the exchange rate behind its amounts.

    `of`: the prefix of the object's attributes `day` and `source`.
    """
    day = "the day of the exchange rate; for US dollars, which need none, the day of the value"
    source = f"who published that rate; for US dollars “{NO_RATE_NEEDED}”"
    return {
        "rate_day": fields.Date(attribute=f"{of}day", **{**described(day), "required": required}),
        "rate_source": fields.String(attribute=f"{of}source", **{**described(source), "required": required}),
    }


def provisional_member(attribute: str | None = None) -> fields.Boolean:
    """The member by which an answer says whether the price model that it names is provisional."""
    text = "whether that price model is provisional: it has not yet passed the gate"
    return fields.Boolean(attribute=attribute, **described(text))


def moment(at: datetime) -> str:
    """Format a moment in UTC for an answer: ISO 8601 with milliseconds and Z."""
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Moment(Converted, fields.DateTime):
    """A moment in UTC."""

    def convert(self, value: datetime) -> str:
        """Return the moment as text."""
        return moment(value)


class FaultSchema(Schema):
    """One thing wrong with one field."""

    pointer = fields.String(
        **described("where in the body, a JSON pointer; null: not in the body", optional=True)
    )
    field = fields.String(**described("the field by path"))
    value = fields.Raw(**described("what was sent, cut where it is long", optional=True))
    problem = fields.String(**described("what is wrong with it"))
    allowed = fields.String(**described("what is allowed; may be empty"))
    next_step = fields.String(**described("what to do about it; may be empty"))
    suggestions = fields.List(fields.String(), **described("the nearest names, nearest first"))


class RefusedRowSchema(FaultSchema):
    """One thing wrong with one row of a file."""

    line = fields.Integer(**described("the line of the file that the row starts on"))
    id = fields.String(**described("the row's id, where one could be read; else empty"))


class IntakeReportSchema(Schema):
    """A report on the rows of a file: each was accepted, refused or left out as a duplicate."""

    rows = fields.Integer(**described("how many rows the file has"))
    accepted = fields.Integer(**described("how many were kept, all in one step"))
    refused = fields.Integer(**described("how many are wrong, and were left out"))
    duplicates = fields.Integer(
        **described("how many were left out because their id came earlier in the file or is that of a record")
    )
    faults = fields.List(fields.Nested(RefusedRowSchema), **described("what is wrong with which row"))
    faults_left_out = fields.Integer(**described("how many more faults there are than are listed"))
    ignored_columns = fields.List(fields.String(), **described("columns of the file that were ignored"))


class ProblemSchema(Schema):
    """A problem document (RFC 9457)."""

    type = fields.String(**described("the kind of problem, as a link into the documentation"))
    title = fields.String(**described("the kind in words"))
    status = fields.Integer(**described("the HTTP status"))
    detail = fields.String(**described("what went wrong this time, in words"))
    instance = fields.String(**described("the path of the request"))
    request_id = fields.String(**described("what to name when asking for help", optional=True))
    errors = fields.List(
        fields.Nested(FaultSchema), metadata={"description": "every wrong field; only if fields are wrong"}
    )
    report = fields.Nested(
        IntakeReportSchema,
        metadata={"description": "the report on a file's rows; only if all had to be right"},
    )
