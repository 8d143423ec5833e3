"""Issue and correct reports, and record later what the instrument was sold for."""

from __future__ import annotations

from typing import Any

from marshmallow import RAISE

from models.errors import Fault, InputError
from service.api.outcomes import services as outcomes
from service.api.outcomes.schemas import OutcomeRequestSchema
from service.api.reports.issuing import issue
from service.api.reports.schemas import REQUEST
from service.api.requests import services
from service.desk import forms
from service.desk.blueprint import blp
from service.desk.pages.requests.grading import check_seen, tried
from service.desk.pages.requests.page import NO_OUTCOME, outcome_of, valuation_id_of

_OUTCOME = OutcomeRequestSchema(unknown=RAISE)
_ISSUED = (
    "type_of_value",
    "intended_use",
    "effective_date",
    "replaces",
    "reason",
    "extraordinary_assumptions",
    "hypothetical_conditions",
)


@blp.post("/requests/<request_id>/reports")
def issue_report(request_id: str) -> Any:
    """Issue a report, or a correction of the newest one."""

    def run() -> None:
        asked = forms.loaded(REQUEST, forms.given(*_ISSUED))
        check_seen(request_id)
        issue(request_id, asked)

    return tried(request_id, "reports", run)


@blp.post("/requests/<request_id>/outcome")
def record_outcome(request_id: str) -> Any:
    """Record what the instrument was sold for; it becomes evidence."""

    def record() -> None:
        valuation_id = valuation_id_of(request_id, services.show(request_id))
        if valuation_id is None:
            problem, step = "has no value to stand beside", "issue a report first"
            raise InputError([Fault("price", "", problem, "", step)])
        sold = forms.given("date", "price", "currency", "channel", "source")
        if forms.text("if_match") != NO_OUTCOME or outcome_of(valuation_id):
            forms.unless_changed()
        outcomes.record(valuation_id, forms.loaded(_OUTCOME, sold))

    return tried(request_id, "outcome", record)
