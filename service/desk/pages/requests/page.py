"""The page of one request: all that is known of it, and the forms for all that is done with it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import orjson
from flask import render_template, url_for

from models.domain.vocabulary import CHANNELS, FIELDS
from service.api.outcomes import services as outcomes
from service.api.photographs import services as photographs
from service.api.reports import records as report_records
from service.api.reports import services as reports
from service.api.requests import services as requests
from service.api.requests.person import history
from service.api.requests.states import SPECIALIST, allowed
from service.api.specialist import services as specialist
from service.context import context
from service.db.engine import reading
from service.desk.forms import Form
from service.desk.pages.requests.value import market_of, valued
from service.errors import FaultyRequestError, NoBundleError, UnknownRecordError
from service.http.hooks.conditional import tag_of
from service.reports.kinds import VALUE_TYPES

NO_OUTCOME = "none"  # the tag of the form for an outcome where none is recorded
Instrument = Mapping[str, Any]


def page(request_id: str, form: Form | None = None, graded: Instrument | None = None) -> tuple[str, int]:
    """Return the page and its status. `graded`: grades that were sent and are not saved.

    Raises UnknownRecordError.
    """
    form = form or Form()
    found = requests.show(request_id)
    shown = graded if graded is not None else found["graded"] or found["instrument"]
    said = history.notes(request_id)["notes"], history.events(request_id)["events"]
    with reading(context().engine) as connection:
        pictures = photographs.listed(connection, request_id)["photographs"]
    html = render_template(
        "desk/request/page.html",
        form=form,
        request=found,
        shown=shown,
        unsaved=graded is not None,
        value=value_of(found, shown, form),
        market=market_of(found),
        photographs=pictures,
        notes=said[0],
        events=said[1],
        moves=allowed(found["state"], SPECIALIST),
        fields=FIELDS,
        channels=CHANNELS,
        types=VALUE_TYPES,
        tag=tag_of(orjson.dumps(found)),
        shown_at=url_for("desk.show_request", request_id=request_id),
        **_reported(request_id, found),
    )
    return html, form.status


def value_of(request: Mapping[str, Any], graded: Instrument, form: Form) -> dict[str, Any] | None:
    """Return the value of these grades, None if it cannot be told; the form then says why."""
    try:
        return valued(request, graded, market_of(request))
    except FaultyRequestError as error:
        form.add(error.faults)
    except NoBundleError:
        pass
    return None


def valuation_id_of(request_id: str, request: Mapping[str, Any]) -> str | None:
    """Return the valuation that an outcome belongs to: the newest report's, else that shown to the owner."""
    with reading(context().engine) as connection:
        rows = report_records.of_request(connection, request_id)
    newest: str | None = rows[-1].valuation_id if rows else None
    return newest or request["valuation_id"]


def outcome_of(valuation_id: str) -> Any:
    """Return what the instrument of a valuation was sold for; None if nothing is recorded yet."""
    try:
        return outcomes.show(valuation_id)
    except UnknownRecordError:
        return None


def _reported(request_id: str, request: Mapping[str, Any]) -> dict[str, Any]:
    valuation_id = valuation_id_of(request_id, request)
    outcome = outcome_of(valuation_id) if valuation_id else None
    return {
        "reports": reports.listed(request_id)["reports"],
        "missing": specialist.show()["missing"],
        "valuation_id": valuation_id,
        "outcome": outcome,
        "outcome_tag": tag_of(orjson.dumps(outcome)) if outcome else NO_OUTCOME,
    }
