"""Words and figures as the desk's pages write them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from models.domain.instrument import written
from models.domain.vocabulary import BY_PATH, Field, Term
from models.insights.sentences import words_of
from service.languages.reader import DEFAULT_LANGUAGE
from service.languages.reader import money as in_language

STATES: Mapping[str, str] = {
    "received": "new",
    "reviewing": "in work",
    "waiting_for_owner": "waits for the owner",
    "reported": "reported",
    "declined": "declined",
    "withdrawn": "withdrawn by the owner",
}
TABS = {**STATES, "all": "all"}
FAMILIES: Mapping[str, str] = {
    "identity": "What it is",
    "rarity": "What is rare about it",
    "condition": "Condition",
    "originality": "Originality",
    "provenance": "Provenance",
}
VIEWS: Mapping[str, str] = {
    "front": "front",
    "back": "back",
    "headstock_front": "headstock, front",
    "headstock_back": "headstock, back",
    "serial": "serial number",
    "neck": "neck",
    "parts": "parts",
    "case": "case",
    "other": "another view",
}


def money(amount: Any, currency: str | None) -> str:
    """Write an amount; a dash for none."""
    if amount is None or not currency:
        return "–"
    return in_language(Decimal(str(amount)), currency, DEFAULT_LANGUAGE)


def share(part: float) -> str:
    """Write a share as per cent with its sign."""
    return f"{part:+.0%}".replace("-", "−")


def moment(at: Any) -> str:
    """Write a moment to the minute, in UTC."""
    if not at:
        return "–"
    found = datetime.fromisoformat(at) if isinstance(at, str) else at
    return f"{found.astimezone(UTC):%d %b %Y, %H:%M} UTC"


def age(at: Any) -> str:
    """Write how long ago a moment was."""
    found = datetime.fromisoformat(at) if isinstance(at, str) else at
    hours = (datetime.now(UTC) - found).total_seconds() / 3600
    if hours < 1:
        return "less than an hour"
    if hours < 48:
        return f"{hours:.0f} hours"
    return f"{hours / 24:.0f} days"


def answer(path: str, value: Any) -> str:
    """Write what a field says, in words."""
    if value is None or value == "":
        return "not known"
    return str(words_of(path, value)) if path in BY_PATH else str(value)


def label(path: str) -> str:
    """Return what a field is called; a path that is no field's, such as day, as it is."""
    return BY_PATH[path].label if path in BY_PATH else path


def next_page(link: Mapping[str, str]) -> str:
    """Return the address of the next page from the header of a list, empty for the last page."""
    return link.get("Link", "").partition(">")[0].removeprefix("<")


def values_of(described: Mapping[str, Any]) -> dict[str, Any]:
    """Return path → value of an instrument as JSON."""
    found: dict[str, Any] = {}
    for name, value in described.items():
        if isinstance(value, Mapping):
            found |= {f"{name}.{inner}": each for inner, each in value.items()}
        else:
            found[name] = value
    return found


def sent(value: Any) -> str:
    """Write a value as a form sends it."""
    return written(value)


def terms(found: Sequence[Term]) -> list[tuple[str, str]]:
    """Return the answers of a menu: each term, with its meaning."""
    return [(term.name, term.meaning) for term in found]


def grouped(fields: Sequence[Field]) -> list[tuple[str, list[Field]]]:
    """Return the fields by family, in the order of `FAMILIES`, each with what a page calls it."""
    return [(title, [one for one in fields if one.family == name]) for name, title in FAMILIES.items()]


def options(field: Field) -> list[tuple[str, str]]:
    """Return the answers that a field allows, with their meanings; none for free text."""
    if field.path == "provenance.paperwork":
        return [("true", "yes"), ("false", "no")]
    return [(term.name, f"{term.name} – {term.meaning}") for term in field.terms]
