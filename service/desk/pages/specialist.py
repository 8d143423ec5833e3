"""The specialist's settings, which every report repeats."""

from __future__ import annotations

from typing import Any

import orjson
from flask import redirect, render_template, url_for

from service.api.specialist import services
from service.api.specialist.schemas import SETTINGS_REQUEST
from service.desk import forms
from service.desk.blueprint import blp
from service.desk.forms import Form
from service.http.hooks.conditional import tag_of
from service.reports.specialist import SETTINGS


@blp.get("/reports")
def show_settings() -> Any:
    """Show the settings of reports."""
    return _page(Form())


@blp.post("/reports")
def save_settings() -> Any:
    """Save all settings of reports."""
    form = forms.sent()
    with form.catching():
        forms.unless_changed()
        services.replace(forms.loaded(SETTINGS_REQUEST, forms.given(*SETTINGS)))
        return redirect(url_for("desk.show_settings"), 303)
    return _page(form)


def _page(form: Form) -> Any:
    found = services.show()
    tag = tag_of(orjson.dumps(found))
    page = render_template("desk/specialist.html", form=form, found=found, settings=SETTINGS, tag=tag)
    return page, form.status
