"""Read what a browser posts: the body of a request as the API takes it, and faults beside their questions."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import unquote

from service.errors import Located
from service.form.fields import FormField
from service.languages.reader import text

_NUMBER = re.compile(r"\d+(\.\d+)?", re.ASCII)
_THOUSANDS = re.compile(r"\d{1,3}([.,]\d{3})+", re.ASCII)


def body_of(values: Mapping[str, str], fields: Iterable[FormField]) -> dict[str, Any]:
    """Return what was filled in, nested as the API takes it; what was left out is not there."""
    body: dict[str, Any] = {}
    for field in fields:
        value = _typed(values.get(field.name, ""), field.type)
        if value is None:
            continue
        inside, names = body, field.name.split(".")
        for name in names[:-1]:
            inside = inside.setdefault(name, {})
        inside[names[-1]] = value
    if "amount" not in body.get("asked", {}):
        body.pop("asked", None)  # a currency alone asks nothing
    return body


def answers_of(values: Mapping[str, str], fields: Iterable[FormField]) -> dict[str, Any]:
    """Return answers to questions by the paths of the instrument's fields."""
    found = {field.name.partition(".")[2]: _typed(values.get(field.name, ""), field.type) for field in fields}
    return {path: value for path, value in found.items() if value is not None}


def _typed(raw: str, kind: str) -> Any:
    """Return a value as the API takes it; what is no number goes on as it was written, to be refused."""
    raw = raw.strip() if kind != "text" else raw
    if not raw.strip():
        return None
    if kind == "flag":
        return {"yes": True, "no": False}.get(raw, raw)
    if kind == "amount":
        return plain_amount(raw)
    if kind in ("whole", "decimal", "grade"):
        number = raw.replace(",", ".", 1)
        return (float(number) if "." in number else int(number)) if _NUMBER.fullmatch(number) else raw
    return raw


def plain_amount(raw: str) -> str:
    """Return an amount with a point before its cents, however its writer marks thousands and cents."""
    raw = re.sub(r"[\s'’]", "", raw)
    last = max(raw.rfind("."), raw.rfind(","))
    both = "." in raw and "," in raw
    if last < 0 or (_THOUSANDS.fullmatch(raw) and not both):
        return re.sub(r"[.,]", "", raw)
    return re.sub(r"[.,]", "", raw[:last]) + "." + raw[last + 1 :]


def name_at(pointer: str | None) -> str:
    """Return the name of the question whose answer a JSON pointer points to."""
    parts = unquote((pointer or "").removeprefix("#/")).split("/")
    return ".".join(part.replace("~1", "/").replace("~0", "~") for part in parts)


def told(
    faults: Iterable[Located], fields: Mapping[str, FormField], values: Mapping[str, str], language: str
) -> dict[str, str]:
    """Return the name of each question with a fault → what is said beside it. Others are left out."""
    found: dict[str, str] = {}
    at = {name_at(located.pointer): located for located in faults}
    for name, field in fields.items():  # in the order of the page
        located = at.get(name)
        if located is None:
            continue
        if field.required and not values.get(field.name, "").strip():
            found[field.name] = field.wrong if field.kind == "check" else text(language, "faults.required")
            continue
        found[field.name] = field.wrong
        if located.fault.suggestions:
            names = ", ".join(located.fault.suggestions)
            found[field.name] += " " + text(language, "faults.nearest", names=names)
    return found
