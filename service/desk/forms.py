"""Read the fields of a page's form, and put faults where the page shows them.

A field has the name that the API's body has, with points: `instrument.condition.neck`, `price`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import unquote

from flask import g, request
from marshmallow import Schema
from werkzeug.exceptions import PreconditionFailed

from models.domain.parsing import Value, parse_cell
from models.domain.vocabulary import FIELDS
from models.errors import Fault, InputError
from service.errors import FaultyRequestError, Located
from service.http.bodies import load
from service.http.hooks.conditional import expect

_MOST_SHOWN = 30
_TAG = "if_match"  # the field of a form that says which state its page showed


@dataclass(frozen=True)
class Said:
    """One fault of a form: the name of the field, and what to tell."""

    name: str
    text: str


@dataclass
class Form:
    """A form as it was sent, with its faults. `stale`: what it would change is not as its page showed it."""

    sent: Mapping[str, str] = field(default_factory=dict)
    faults: list[Said] = field(default_factory=list)
    stale: bool = False

    @property
    def status(self) -> int:
        """The status of the page that shows the form."""
        return 412 if self.stale else 422 if self.faults else 200

    def fault(self, name: str) -> str:
        """Return what is wrong with this field, empty for nothing."""
        return " ".join(one.text for one in self.faults if one.name == name)

    def value(self, name: str, usual: Any = "") -> str:
        """Return what was sent for this field, else the usual text."""
        found = self.sent.get(name)
        return found if found is not None else "" if usual is None else str(usual)

    @contextmanager
    def catching(self) -> Iterator[None]:
        """Keep the faults that are raised in the block."""
        try:
            yield
        except FaultyRequestError as error:
            self.add(error.faults)
        except InputError as error:
            self.add([Located(None, fault) for fault in error.faults])
        except PreconditionFailed:
            self.stale = True

    def add(self, found: Sequence[Located]) -> None:
        """Keep these faults."""
        self.faults += [Said(_name_of(one), _told(one.fault)) for one in found[:_MOST_SHOWN]]


def sent() -> Form:
    """Return the form of this request."""
    return Form({name: text.strip() for name, text in request.form.items()})


def unless_changed() -> None:
    """Refuse the first change of this form if what it changes is not as the page of the form showed it."""
    if text(_TAG) and not g.get("form_checked"):
        g.form_checked = True
        expect(text(_TAG))


def text(name: str) -> str:
    """Return one text that was sent, without blanks around it."""
    return request.form.get(name, "").strip()


def given(*names: str) -> dict[str, str]:
    """Return the texts that were sent and are not empty, by name."""
    return {name: text(name) for name in names if text(name)}


def instrument(prefix: str = "instrument", only: Sequence[str] | None = None) -> dict[str, Any]:
    """Read an instrument as nested JSON. Raises InputError with every fault, which names the form's fields.

    `only`: the paths to read; None for all.
    """
    found: dict[str, Any] = {}
    faults: list[Fault] = []
    for one in FIELDS:
        if only is not None and one.path not in only:
            continue
        try:
            value = parse_cell(one, text(f"{prefix}.{one.path}"))
        except InputError as error:
            faults += [replace(fault, field=f"{prefix}.{fault.field}") for fault in error.faults]
        else:
            _put(found, one.path, value)
    if faults:
        raise InputError(faults)
    return found


def amount(prefix: str) -> dict[str, str] | None:
    """Return an amount with its currency as JSON; None if no amount was sent."""
    number = text(f"{prefix}.amount")
    return {"amount": number, "currency": text(f"{prefix}.currency").upper()} if number else None


def loaded(schema: Schema, body: Mapping[str, Any]) -> Any:
    """Read a body by the schema that the API has for it. Raises FaultyRequestError."""
    return load(schema, body)


def _put(found: dict[str, Any], path: str, value: Value) -> None:
    if value is not None:
        group, _, name = path.rpartition(".")
        (found.setdefault(group, {}) if group else found)[name] = value


def _name_of(one: Located) -> str:
    if one.pointer is None:
        return one.fault.field
    return ".".join(unquote(part) for part in one.pointer.removeprefix("#/").split("/"))


def _told(fault: Fault) -> str:
    allowed = f" Allowed: {fault.allowed}." if fault.allowed else ""
    step = f" {fault.next_step[0].upper()}{fault.next_step[1:]}." if fault.next_step else ""
    near = f" Perhaps {' or '.join(fault.suggestions)}?" if fault.suggestions else ""
    name = fault.field.rpartition(".")[2].replace("_", " ").capitalize()
    return f"{name} {fault.problem}.{allowed}{step}{near}"
