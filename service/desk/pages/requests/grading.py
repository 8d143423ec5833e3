"""Grade a request part by part, with its value beside; adjust the value, with a reason."""

from __future__ import annotations

from typing import Any

import orjson
from flask import redirect, render_template, request, url_for
from marshmallow import RAISE

from models.domain.vocabulary import FIELDS
from service.api.requests import services
from service.api.requests.bodies.schemas import RequestChangeSchema
from service.api.requests.states import RECEIVED, REVIEWING
from service.desk import forms
from service.desk.blueprint import blp
from service.desk.forms import Form
from service.desk.pages.requests.page import page, value_of
from service.http.hooks.conditional import check_unchanged

_CHANGE = RequestChangeSchema(unknown=RAISE)


@blp.get("/requests/<request_id>")
def show_request(request_id: str) -> Any:
    """Show one request."""
    return page(request_id)


@blp.post("/requests/<request_id>/grading")
def grade(request_id: str) -> Any:
    """Save the grades, or value them without saving."""
    form = forms.sent()
    graded = None
    with form.catching():
        graded = forms.instrument()
        if forms.text("do") != "value":
            marked = [one.path for one in FIELDS if request.form.get(f"in_hand.{one.path}")]
            change(request_id, {"graded": graded, "in_hand": marked})
            return shown(request_id, "grading")
    return page(request_id, form, graded)


@blp.post("/requests/<request_id>/value")
def value_grades(request_id: str) -> Any:
    """Give the part of the page with the value of the grades that are sent; nothing is kept."""
    form = forms.sent()
    found = services.show(request_id)
    value = None
    with form.catching():
        value = value_of(found, forms.instrument(), form)
    html = render_template("desk/request/value.html", request=found, value=value, form=form, unsaved=True)
    return html, form.status


@blp.post("/requests/<request_id>/adjustment")
def adjust(request_id: str) -> Any:
    """Keep the specialist's own adjustment, or take it away."""
    form = forms.sent()
    with form.catching():
        change(request_id, {"adjustment": _adjustment()})
        return shown(request_id, "adjustment")
    return page(request_id, form)


def _adjustment() -> dict[str, str] | None:
    if forms.text("do") == "remove":
        return None
    reason = {"reason": forms.text("adjustment.reason")}
    names = ("amount", "currency") if forms.text("by") == "amount" else ("per_cent",)
    found = {name: forms.text(f"adjustment.{name}") for name in names}
    return {**{name: text for name, text in found.items() if text}, **reason}


def change(request_id: str, changes: dict[str, Any], *, takes_up: bool = True) -> None:
    """Change a request as PATCH does. `takes_up`: a new request goes to work with it."""
    if takes_up and "state" not in changes and services.show(request_id)["state"] == RECEIVED:
        changes = {**changes, "state": REVIEWING}
    forms.unless_changed()
    services.change(request_id, forms.loaded(_CHANGE, changes))


def check_seen(request_id: str) -> None:
    """Refuse a form whose page showed another state of the request. Raises PreconditionFailed."""
    forms.unless_changed()
    check_unchanged(orjson.dumps(services.show(request_id)))


def shown(request_id: str, part: str = "") -> Any:
    """Send the browser to the page of the request, to one of its parts."""
    return redirect(url_for("desk.show_request", request_id=request_id, _anchor=part or None), 303)


def tried(request_id: str, part: str, work: Any) -> Any:
    """Do the work of a form; show the page with what is wrong, or else its part."""
    form: Form = forms.sent()
    with form.catching():
        work()
        return shown(request_id, part)
    return page(request_id, form)
