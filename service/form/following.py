"""Gather what an owner's page shows: state, messages, photographs, questions, value and what was sent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from functools import partial
from typing import Any

from models.costs import LONGEST_MESSAGE
from service.api.photographs import services as photographs
from service.api.reports import services as reports
from service.api.requests import answering
from service.api.requests import services as requests
from service.api.requests.states import OPEN
from service.context import context
from service.db.engine import reading
from service.errors import FaultyRequestError, NoBundleError
from service.form import fields
from service.form import reading as forms
from service.languages.reader import text, whole_money

# What the page says after something was done: the text `follow.done_…`, or that of the photographs.
DONE = ("request", "photograph", "answers", "withdraw", "photographs_refused")
_MOST_QUESTIONS, _LEVEL = 3, 0.8


def page_values(
    request_id: str, values: Mapping[str, str], error: FaultyRequestError | None
) -> dict[str, Any]:
    """Return all that the template of the owner's page shows."""
    found = requests.show(request_id)
    language = found["language"]
    is_open = found["state"] in OPEN
    asked = questions(request_id, language) if is_open else ()
    known = {field.name: field for field in asked}
    with reading(context().engine) as connection:
        pictures = photographs.listed(connection, request_id)["photographs"]
    return {
        "language": language,
        "found": found,
        "is_open": is_open,
        "longest": LONGEST_MESSAGE,
        "sent_on": datetime.fromisoformat(found["created"]),
        "facts": tuple(_facts(found, language)),
        "messages": [{**one, "at": datetime.fromisoformat(one["at"])} for one in found["messages"]],
        "pictures": pictures,
        "views": fields.views(language),
        "questions": asked,
        "values": values,
        "faults": forms.told(_at_fields(error), known, values, language) if error else {},
        "value": _value(found["valuation"], language),
        "reports": _reports(request_id),
    }


def _at_fields(error: FaultyRequestError) -> Sequence[Any]:
    """Return the faults of answers with pointers to the fields of an instrument."""
    return [
        one._replace(pointer=(one.pointer or "").replace("#/answers/", "#/instrument/").replace(".", "/"))
        for one in error.faults
    ]


def questions(request_id: str, language: str | None = None) -> tuple[fields.FormField, ...]:
    """Return the questions to the owner: those that the specialist asks, else those that help most."""
    language = language or requests.show(request_id)["language"]
    try:
        found = answering.questions(request_id)
    except NoBundleError:
        return ()
    paths = [one["field"] for one in found["asked"]]
    paths += [one["field"] for one in found["questions"] if one["field"] not in paths][:_MOST_QUESTIONS]
    return tuple(fields.of_instrument(path, language) for path in paths)


def _facts(found: Mapping[str, Any], language: str) -> Sequence[tuple[str, str]]:
    """Return what the owner told, question by question, in words."""
    t = partial(text, language)
    told = [(t("purposes.label"), t(f"purposes.{found['purpose']}"))]
    for name, value in _flat("", found["instrument"]):
        field = fields.of_instrument(name, language)
        shown = {True: "yes", False: "no"}.get(value, str(value)) if field.type == "flag" else _plain(value)
        words = {choice.value: choice.label for choice in field.choices}
        told.append((field.label, words.get(shown, shown)))
    if found["asked"]:
        amount = whole_money(Decimal(found["asked"]["amount"]), found["asked"]["currency"], language)
        told.append((t("form.asked"), amount))
    contact = found["contact"] or {}
    told += [(t(f"form.{name}"), contact[name]) for name in ("name", "email", "phone") if contact.get(name)]
    if found["message"]:
        told.append((t("form.message"), found["message"]))
    return told


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _flat(before: str, nested: Mapping[str, Any]) -> Sequence[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    for name, value in nested.items():
        found += _flat(f"{before}{name}.", value) if isinstance(value, dict) else [(before + name, value)]
    return found


def _value(shown: Mapping[str, Any] | None, language: str) -> Mapping[str, str] | None:
    """Return the value that the owner was shown, in words; None where the site shows none."""
    if shown is None:
        return None
    wanted = next((one for one in shown["intervals"] if one["level"] == _LEVEL), shown["intervals"][0])
    amounts = {"value": shown["value"], "low": wanted["low"], "high": wanted["high"]}
    words = {name: whole_money(Decimal(one), shown["currency"], language) for name, one in amounts.items()}
    return {**words, "level": f"{100 * wanted['level']:g}"}


def _reports(request_id: str) -> Sequence[Mapping[str, Any]]:
    """Return the reports that can be read, the newest first."""
    found = reports.listed(request_id)["reports"]
    return [one for one in found if one["erased"] is None][::-1]
