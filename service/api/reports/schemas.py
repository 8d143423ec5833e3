"""The schemas of requests for reports, and of their answers."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any, NamedTuple

from marshmallow import RAISE, Schema, fields, post_load, validate

from models.costs import LONGEST_STATEMENT
from models.errors import Fault
from service.api.requests.bodies.members import TermField
from service.api.values.requests import DayField, OwnField
from service.dumping import described, dumper, objects
from service.http.schemas import DAY
from service.reports.kinds import VALUE_TYPES
from service.texts import lines_faults, plain_lines

TYPES = list(VALUE_TYPES)
FORMS = ("json", "html", "pdf")


class StatementField(OwnField):
    """A text that the report repeats; a blank one is none."""

    def __init__(self, name: str, text: str) -> None:
        self._name = name
        about = {"type": "string", "maxLength": LONGEST_STATEMENT, "description": text}
        super().__init__(allow_none=True, metadata=about)

    def read(self, value: Any, faults: list[Fault]) -> str | None:
        if isinstance(value, str) and not value.strip():
            return None
        text = plain_lines(value) if isinstance(value, str) else value
        found = lines_faults(self._name, text, LONGEST_STATEMENT, "correct it or leave it out")
        faults.extend(found)
        return None if found else text.strip()


class EffectiveDateField(DayField):
    """The day of the value, as YYYY-MM-DD."""

    def read(self, value: Any, faults: list[Fault]) -> date | None:
        found: list[Fault] = []
        day = super().read(value, found)
        faults.extend(replace(fault, field="effective_date") for fault in found)
        return day


class ReportRequest(NamedTuple):
    """A request to issue a report."""

    type_of_value: str
    intended_use: str | None = None
    effective_date: date | None = None
    replaces: str | None = None
    reason: str | None = None
    extraordinary_assumptions: str | None = None
    hypothetical_conditions: str | None = None


class ReportRequestSchema(Schema):
    """A report to be issued about a request: the type of value, and what only this report says."""

    type_of_value = TermField(
        tuple(TYPES),
        "the type of value: " + "; ".join(f"{name}: {kind.label}" for name, kind in VALUE_TYPES.items()),
        required=True,
    )
    intended_use = StatementField(
        "intended_use",
        "what the report will be used for; default: what the request's purpose says. Curiosity says nothing",
    )
    effective_date = EffectiveDateField(
        allow_none=True,
        metadata={"type": "string", **DAY, "description": "the day of the value; default: today"},
    )
    replaces = fields.String(
        allow_none=True,
        validate=validate.Length(max=40),
        metadata={"description": "the id of the request's newest report, which this one corrects"},
    )
    reason = StatementField("reason", "why it is replaced; the new report says it")
    extraordinary_assumptions = StatementField(
        "extraordinary_assumptions", "what the specialist assumes to be true, beside what the service lists"
    )
    hypothetical_conditions = StatementField(
        "hypothetical_conditions", "what the specialist supposes although it is not so"
    )

    @post_load
    def _asked(self, data: dict[str, Any], **kwargs: Any) -> ReportRequest:
        return ReportRequest(**data)


class IssuedSchema(Schema):
    """A report that was issued."""

    id = fields.String(**described("its id"))
    version = fields.Integer(**described("the number of the request's reports up to this one"))
    digest = fields.String(
        **described("the SHA-256 of what GET /v1/reports/{id} answers, in hexadecimal digits")
    )


class ReportEntrySchema(IssuedSchema):
    """A report in the list of a request's reports."""

    type_of_value = fields.String(**described("the type of value", enum=TYPES))
    issued = fields.Date(**described("the day on which it was issued"))
    replaces = fields.String(**described("the id of the report that it replaced", optional=True))
    replaced_by = fields.String(**described("the id of the report that replaced it", optional=True))
    erased = fields.Date(**described("the day on which its content was erased", optional=True))


class ReportsSchema(Schema):
    """The reports of a request."""

    reports = objects(ReportEntrySchema, "oldest first")


def _any(text: str) -> fields.Dict:
    """Return a member that is an object whose members are those of the structure's form."""
    return fields.Dict(**described(text, properties={}, additionalProperties=True))


class ReportContentSchema(Schema):
    """The content of a report: the same bytes for ever, whose SHA-256 is the report's digest.

    All that the page and the PDF say is in it; docs/reports.md describes the members.
    """

    form = fields.Integer(**described("which form of this structure it is"))
    language = fields.String(**described("the language of its texts"))
    report = _any("id and version, and the report that it replaces")
    client = fields.String(**described("the client"))
    intended_users = fields.String(**described("who may rely on it beside the client"))
    intended_use = fields.String(**described("what it will be used for"))
    property = _any("the instrument, part by part, and its photographs")
    interest = fields.String(**described("the interest appraised"))
    type_of_value = _any("the type of value, its definition and source, and its market")
    effective_date = fields.Date(**described("the day of the value"))
    report_date = fields.Date(**described("the day on which it was issued"))
    scope_of_work = fields.String(**described("what was done for it"))
    assistance = fields.String(**described("who helped"))
    exclusions = fields.String(**described("the approaches to value, and those left out"))
    evidence = _any("the evidence, and each comparable sale with all its lines")
    steps = fields.List(
        _any("one of them"),
        **described("from the typical instrument to the conclusion; amounts add up to the cent"),
    )
    reasons = fields.List(fields.String(), **described("the reasons in words"))
    opinion = _any("the price model's figures, the adjustment, what is concluded, ranges")
    use = fields.String(**described("the use of the property"))
    market_level = fields.String(**described("the market level"))
    assumptions = _any("assumptions, conditions, and details that documents must prove")
    questions = fields.List(_any("one of them"), **described("what is still open"))
    cautions = fields.List(_any("one of them"), **described("what to know before relying on it"))
    certification = _any("the signed certification")
    price_model = _any("the version of the price model")


class VerificationSchema(Schema):
    """The result of comparing bytes with a report that was issued."""

    id = fields.String(**described("the id of the report"))
    version = fields.Integer(**described("its version"))
    issued = fields.Date(**described("the day on which it was issued"))
    digest = fields.String(**described("the SHA-256 of its content, as it is printed in it"))
    is_report = fields.Boolean(**described("whether the bytes are the report, in one of its forms"))
    form = fields.String(**described("which form they are", optional=True, enum=[*FORMS, None]))
    replaced_by = fields.String(**described("the id of the report that replaced it", optional=True))
    erased = fields.Date(**described("the day on which its content was erased", optional=True))


REQUEST = ReportRequestSchema(unknown=RAISE)
dump_issued = dumper(IssuedSchema)
dump_entry = dumper(ReportEntrySchema)
dump_verification = dumper(VerificationSchema)
