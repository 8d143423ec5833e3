"""Pages of evidence: list, add, correct, withdraw, confirm."""

from __future__ import annotations

from typing import Any

import orjson
from flask import redirect, render_template, request, url_for

from models.domain.vocabulary import CHANNELS, FIELDS, KINDS
from models.errors import InputError
from service.api.evidence import services
from service.api.evidence.listing import FILTERS, listed
from service.api.evidence.reading import read, read_reason
from service.desk import forms
from service.desk.blueprint import blp
from service.desk.forms import Form
from service.errors import FaultyRequestError, WithdrawnError
from service.faults import with_pointers
from service.http.hooks.conditional import tag_of
from service.http.pagination import PAGED
from service.http.queries import read_query

_TEXTS = ("kind", "date", "price", "currency", "channel", "source")


@blp.get("/evidence")
def show_evidence() -> Any:
    """List records, page by page."""
    asked = read_query((*FILTERS, *PAGED))
    found, link = listed(asked)
    return render_template(
        "desk/evidence.html", records=found["evidence"], asked=request.args, link=link, kinds=KINDS
    )


@blp.get("/new-evidence")
def show_new_evidence() -> Any:
    """Show the form of a new record."""
    return _form(Form(), None)


@blp.post("/new-evidence")
def add_evidence() -> Any:
    """Add a record."""
    form = forms.sent()
    with form.catching():
        record = _read(forms.text("id"))
        services.record(record, read_reason(forms.text("reason")) or None)
        return _shown(record.id)
    return _form(form, None)


@blp.get("/evidence/<record:evidence_id>")
def show_evidence_record(evidence_id: str) -> Any:
    """Show one record with its form, and its history."""
    return _form(Form(), evidence_id)


@blp.post("/evidence/<record:evidence_id>/correct")
def correct_evidence(evidence_id: str) -> Any:
    """Correct a record."""
    form = forms.sent()
    with form.catching():
        forms.unless_changed()
        services.correct(evidence_id, _read(evidence_id), read_reason(forms.text("reason")) or None)
        return _shown(evidence_id)
    return _form(form, evidence_id)


@blp.post("/evidence/<record:evidence_id>/withdraw")
def withdraw_evidence(evidence_id: str) -> Any:
    """Withdraw a record."""
    return _changed(services.withdraw, evidence_id)


@blp.post("/evidence/<record:evidence_id>/confirm")
def confirm_evidence(evidence_id: str) -> Any:
    """Confirm a record that is hard to believe."""
    return _changed(services.confirm, evidence_id)


def _changed(change: Any, evidence_id: str) -> Any:
    form = forms.sent()
    with form.catching():
        forms.unless_changed()
        change(evidence_id, read_reason(forms.text("reason")) or None)
        return _shown(evidence_id)
    return _form(form, evidence_id)


def _shown(evidence_id: str) -> Any:
    return redirect(url_for("desk.show_evidence_record", evidence_id=evidence_id), 303)


def _read(evidence_id: str) -> Any:
    """Read the record of the form. Raises FaultyRequestError."""
    try:
        return read({**forms.given(*_TEXTS), "id": evidence_id, "instrument": forms.instrument()})
    except InputError as error:
        raise FaultyRequestError(with_pointers(error.faults)) from None


def _form(form: Form, evidence_id: str | None) -> Any:
    record: Any = {}
    changes: Any = []
    tag, shown_at = "", ""
    if evidence_id is not None:
        changes = services.history(evidence_id)["changes"]
        tag = tag_of(services.state(evidence_id))
        shown_at = url_for("desk.show_evidence_record", evidence_id=evidence_id)
        try:
            record = orjson.loads(services.show(evidence_id))
        except WithdrawnError:  # its last state is shown, so that it can be used again
            record = {**changes[-1]["record"], "withdrawn": changes[-1]["at"]}
    page = render_template(
        "desk/evidence_record.html",
        form=form,
        record=record,
        changes=changes,
        tag=tag,
        shown_at=shown_at,
        fields=FIELDS,
        kinds=KINDS,
        channels=CHANNELS,
    )
    return page, form.status
