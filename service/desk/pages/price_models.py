"""Price models with their cards; promote one, roll back the current one."""

from __future__ import annotations

from typing import Any

import orjson
from flask import Response, redirect, render_template, url_for
from werkzeug.exceptions import NotFound

from service.api.price_models import changes, services
from service.desk import card, forms
from service.desk.blueprint import blp
from service.desk.forms import Form
from service.http.hooks.conditional import check_unchanged, tag_of
from service.http.responses import HTML, SVG


@blp.get("/price-models")
def show_price_models() -> Any:
    """List price models, and who promoted which."""
    return _page(Form())


@blp.get("/price-models/<version>/card")
def show_card(version: str) -> Any:
    """Show the card of a price model."""
    page = _card(version)
    shown = card.shown(page, lambda number: url_for("desk.show_chart", version=version, number=number))
    return render_template("desk/card.html", version=version, card=shown)


@blp.get("/price-models/<version>/card/<int:number>.svg")
def show_chart(version: str, number: int) -> Any:
    """Give a chart of a card, as a picture."""
    found = card.charts(_card(version))[number : number + 1]
    if not found:
        raise NotFound
    return Response(found[0], mimetype=SVG)


@blp.get("/price-models/<version>/card.html")
def show_card_file(version: str) -> Any:
    """Give the card of a price model as a file, as the fit wrote it."""
    headers = {"Content-Disposition": 'attachment; filename="card.html"'}
    return Response(services.card(version, "card.html"), headers=headers, mimetype=HTML)


def _card(version: str) -> str:
    return services.card(version, "card.html").decode(errors="replace")


@blp.post("/price-models/<version>/promote")
def promote(version: str) -> Any:
    """Make a price model the current one."""
    form = forms.sent()
    with form.catching():
        _check_seen()
        force = forms.text("force") == "true"
        reason = changes.read_reason(forms.text("why"), forms.text("who") or None, force or None)
        changes.promote(version, reason)
        return redirect(url_for("desk.show_price_models"), 303)
    return _page(form, version)


@blp.post("/price-models/<version>/rollback")
def roll_back(version: str) -> Any:
    """Make the price model before the current one."""
    form = forms.sent()
    with form.catching():
        _check_seen()
        changes.roll_back(version, changes.read_reason(forms.text("why"), forms.text("who") or None))
        return redirect(url_for("desk.show_price_models"), 303)
    return _page(form, version)


def _check_seen() -> None:
    """Refuse a change if another one was made since the page was shown. Raises PreconditionFailed."""
    forms.unless_changed()
    check_unchanged(orjson.dumps(services.changes()))


def _page(form: Form, of: str | None = None) -> Any:
    found = services.listed()
    shown = sorted(found["models"], key=lambda one: one["version"], reverse=True)
    made = services.changes()
    page = render_template(
        "desk/price_models.html",
        found=found,
        models=shown,
        changes=made,
        form=form,
        of=of,
        tag=tag_of(orjson.dumps(made)),
        shown_at=url_for("desk.show_price_models"),
    )
    return page, form.status
