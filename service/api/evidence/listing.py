"""The list of evidence: its filters, and its pages."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import partial
from types import SimpleNamespace
from typing import Any

from models.domain.cells import LAST_DAY, read_day, read_term
from models.domain.names import normal
from models.domain.vocabulary import CHANNEL_NAMES, KIND_NAMES
from models.errors import Fault, InputError
from models.tables.evidence_columns import ORDER
from service.api.evidence import records
from service.api.evidence.schemas import dump_record
from service.context import bundle, context
from service.db.engine import reading
from service.errors import FaultyRequestError, Located
from service.http.pagination import next_link, page_of
from service.http.queries import Query, checked
from service.http.schemas import DAY

_STATES = {"false": False, "true": True, "any": None}


def _of_terms(name: str, text: str, allowed: tuple[str, ...]) -> Query:
    read = checked(lambda given, faults: read_term(name, given.strip(), allowed, faults))
    return Query(name, text, {"type": "string", "enum": list(allowed)}, read)


def _of_days(name: str, text: str) -> Query:
    def read(given: str, faults: list[Fault]) -> date | None:
        heard: list[Fault] = []
        day = read_day(given.strip(), heard, latest=LAST_DAY)
        faults += [replace(fault, field=name) for fault in heard]
        return day

    return Query(name, text, {"type": "string", **DAY}, checked(read))


def in_catalogue(name: str, given: str) -> str:
    """Return the maker or model (`name` says which). Raises InputError if the catalogue does not have it."""
    catalogue = bundle().valuer.catalogue
    if name == "maker":
        catalogue.of_maker(given)
    else:
        catalogue.named(given)
    return given


def _of_names(name: str, text: str) -> Query:
    return Query(name, text, {"type": "string"}, partial(in_catalogue, name))


FROM = _of_days("from", "only what is dated this day or later")
TO = _of_days("to", "only what is dated this day or earlier")
FILTERS = (
    _of_terms("kind", "only records of this kind", KIND_NAMES),
    _of_names("maker", "only records of this maker, as the catalogue names it"),
    _of_names("model", "only records of this model, as the catalogue names it"),
    _of_terms("channel", "only records of this market", CHANNEL_NAMES),
    FROM,
    TO,
    _of_terms(
        "withdrawn",
        "false (the default): only records in use; true: only withdrawn ones; any: both",
        tuple(_STATES),
    ),
    _of_terms(
        "warned",
        "true: only records held out of fits, because a warning on each is neither confirmed nor corrected; "
        "false: only the others",
        ("false", "true"),
    ),
)


def listed(asked: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of records, and the header with the link to the next one. Raises FaultyRequestError."""
    page, wanted = page_of(asked), wanted_of(asked)
    with reading(context().engine) as connection:
        found = records.page(connection, wanted, page.after, page.limit + 1)
    shown = found[: page.limit]
    return {"evidence": [dump_record(SimpleNamespace(**row)) for row in shown]}, next_link(
        found, page, shown[-1][ORDER] if shown else 0
    )


def wanted_of(asked: dict[str, Any]) -> dict[str, Any]:
    """Return the filters of a query in the form that `records.page` takes. Raises FaultyRequestError."""
    try:
        wanted = {**asked, **_names(asked["maker"], asked["model"])}
    except InputError as error:
        raise FaultyRequestError([Located(None, fault) for fault in error.faults]) from None
    wanted["withdrawn"] = _STATES[asked["withdrawn"] or "false"]
    wanted["warned"] = _STATES[asked["warned"] or "any"]
    return {name: value for name, value in wanted.items() if value is not None}


def _names(maker: str | None, model: str | None) -> dict[str, str | None]:
    """Return maker and model in the form stored with records. Raises InputError for unknown names."""
    together_in_catalogue(maker, model)
    return {"maker": normal(maker) if maker else maker, "model": normal(model) if model else model}


def together_in_catalogue(maker: str | None, model: str | None) -> None:
    """Raise InputError for a maker who has no such model. Each by itself was looked up before."""
    if maker is not None and model is not None:
        bundle().valuer.catalogue.find(maker, model)
