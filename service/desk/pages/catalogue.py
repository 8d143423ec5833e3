"""The catalogue as the next fit is to have it: looked at, added to, corrected, and given as a file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import orjson
from flask import Response, redirect, render_template, request, url_for

from models.domain.catalogue import BODIES
from models.errors import Fault, InputError
from service.api.catalogue.draft import services
from service.api.catalogue.draft.reading import check_names
from service.desk import forms
from service.desk.blueprint import blp
from service.desk.forms import Form
from service.errors import UnknownPathNameError
from service.http.hooks.conditional import tag_of
from service.http.responses import TOML

_TABLES: Mapping[str, tuple[str, ...]] = {
    "finish": ("name", "share"),
    "edition": ("name", "first_year", "last_year", "production_total", "numbered"),
    "watchpoint": ("part", "note"),
}
_WHOLE = ("first_year", "last_year", "production_total")
_FLAGS = ("figured_top", "numbered")
_BLANK_ROWS, _MOST_ROWS = 2, 200
Entry = Mapping[str, Any]


@blp.get("/catalogue")
def show_catalogue() -> str:
    """List makers and models."""
    found = services.listed()
    makers: dict[str, list[Any]] = {}
    for one in found["models"]:
        makers.setdefault(one["maker"], []).append(one)
    return render_template("desk/catalogue.html", draft=found, makers=makers)


@blp.get("/catalogue.toml")
def show_catalogue_file() -> Response:
    """Give the file that a fit takes."""
    headers = {"Content-Disposition": 'attachment; filename="catalogue.toml"'}
    return Response(services.toml(), headers=headers, mimetype=TOML)


@blp.get("/new-model")
def show_new_model() -> Any:
    """Show the form of a new model."""
    return _page(Form(), None)


@blp.post("/new-model")
def add_model() -> Any:
    """Add a model."""
    form = _sent()
    if forms.text("do") == "more":
        return _page(form, None)
    with form.catching():
        maker, name = forms.text("maker"), forms.text("name")
        _check_new(maker, name)
        return _saved(services.change(maker, name, _entry(form)))
    return _page(form, None)


@blp.get("/catalogue/<name:maker>/<name:model>")
def show_catalogue_model(maker: str, model: str) -> Any:
    """Show one model with its form."""
    return _page(Form(), services.show(maker, model))


@blp.post("/catalogue/<name:maker>/<name:model>")
def change_model(maker: str, model: str) -> Any:
    """Correct a model, take it out, or undo what was changed."""
    form, do = _sent(), forms.text("do")
    changes: Mapping[str, Callable[[], Any]] = {
        "save": lambda: services.change(maker, model, _entry(form)),
        "undo": lambda: services.change(maker, model, services.show(maker, model)["served"] or {}),
        "remove": lambda: services.take_out(maker, model),
    }
    if do in changes:
        with form.catching():
            forms.unless_changed()
            return _saved(changes[do]())
    return _page(form, services.show(maker, model))


def _saved(found: Entry) -> Any:
    if found["status"] == services.REMOVED and found["served"] is None:
        return redirect(url_for("desk.show_catalogue"), 303)
    return redirect(url_for("desk.show_catalogue_model", maker=found["maker"], model=found["name"]), 303)


def _check_new(maker: str, name: str) -> None:
    """Raise InputError if the draft has this model already."""
    check_names(maker, name)
    try:
        services.show(maker, name)
    except UnknownPathNameError:
        return
    raise InputError([Fault("name", name, "is in the catalogue already", "", "correct it on its own page")])


# ── the form ─────────────────────────────────────────────────────────────────


def _sent() -> Form:
    """Return the form with its rows moved together: faults count rows without the blank ones."""
    found = forms.sent()
    sent = {name: text for name, text in found.sent.items() if name.partition(".")[0] not in _TABLES}
    for kind, members in _TABLES.items():
        at = 0
        for row in range(_rows(kind)):
            texts = {member: forms.text(f"{kind}.{row}.{member}") for member in members}
            if any(texts.values()):
                sent |= {f"{kind}.{at}.{member}": text for member, text in texts.items()}
                at += 1
        sent[f"rows.{kind}"] = str(at)
    return Form(sent)


def _rows(kind: str) -> int:
    """Return how many rows of a table the form has; a form that says none has no row."""
    numbers = [name.split(".")[1] for name in request.form if name.startswith(f"{kind}.")]
    return min(1 + max((int(n) for n in numbers if n.isdecimal() and len(n) < 4), default=-1), _MOST_ROWS)


def _entry(form: Form) -> Entry:
    """Read the form as the body that the API takes. Raises InputError for what is no number."""
    faults: list[Fault] = []
    entry = {
        key: form.value(key) for key in ("maker", "name", "first_year", "last_year", "body", "figured_top")
    }
    found: dict[str, Any] = _read("", entry, faults)
    for kind, members in _TABLES.items():
        rows = range(int(form.value(f"rows.{kind}")))
        found[kind] = [
            _read(f"{kind}.{row}.", {one: form.value(f"{kind}.{row}.{one}") for one in members}, faults)
            for row in rows
        ]
    if faults:
        raise InputError(faults)
    return found


def _read(before: str, texts: Mapping[str, str], faults: list[Fault]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, text in texts.items():
        try:
            if text:
                whole = name in _WHOLE
                flag = name in _FLAGS and text in ("true", "false")
                found[name] = text == "true" if flag else int(text) if whole else text
                if name == "share":
                    found[name] = float(text)
        except ValueError:
            step = "leave it empty if it is not known"
            faults.append(Fault(before + name, text, "is not a number", "digits, as 1958 or 0.25", step))
    return found


def _page(form: Form, model: Entry | None) -> Any:
    entry = model["entry"] if model else {}
    rows = {kind: _shown(form, kind, entry) for kind in _TABLES}
    page = render_template(
        "desk/catalogue_model.html",
        form=form,
        model=model,
        entry=entry,
        rows=rows,
        bodies=BODIES,
        tag=tag_of(orjson.dumps(model)) if model else "",
        shown_at=request.path,
    )
    return page, form.status


def _shown(form: Form, kind: str, entry: Entry) -> list[Mapping[str, Any]]:
    """Return the rows of a table as the form shows them, with a few blank ones after."""
    given: list[Mapping[str, Any]] = list(entry.get(kind, []))
    if form.sent:  # what was typed stands in the form
        given = [{} for _ in range(int(form.value(f"rows.{kind}")))]
    return given + [{}] * (5 if form.value("do") == "more" else _BLANK_ROWS)
