"""The list of evidence: its filters, and its pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any

from models.domain.cells import read_day, read_term
from models.domain.names import normal
from models.domain.vocabulary import CHANNEL_NAMES, KIND_NAMES
from models.errors import Fault, InputError
from models.tables.evidence_columns import ORDER
from models.tables.stocklist import LAST_DAY
from service.api.evidence import records
from service.api.evidence.schemas import dump_record
from service.context import bundle, context
from service.db.engine import reading
from service.errors import FaultyRequestError, Located
from service.http.pagination import PAGED, next_link, page_of
from service.http.queries import Query
from service.http.schemas import DAY

_STATES = {"false": False, "true": True, "any": None}


def _term(name: str, allowed: tuple[str, ...]) -> Callable[[str], str]:
    def read(text: str) -> str:
        faults: list[Fault] = []
        found = read_term(name, text.strip(), allowed, faults)
        if faults:
            raise InputError(faults)
        return found

    return read


def _day(name: str) -> Callable[[str], date]:
    def read(text: str) -> date:
        faults: list[Fault] = []
        found = read_day(text.strip(), faults, latest=LAST_DAY)
        if found is None:
            raise InputError([replace(fault, field=name) for fault in faults])
        return found

    return read


def _state(text: str) -> str:
    return _term("withdrawn", tuple(_STATES))(text)


KIND = Query(
    "kind",
    "only records of this kind",
    {"type": "string", "enum": list(KIND_NAMES)},
    _term("kind", KIND_NAMES),
)
CHANNEL = Query(
    "channel",
    "only records of this market",
    {"type": "string", "enum": list(CHANNEL_NAMES)},
    _term("channel", CHANNEL_NAMES),
)
FROM = Query(
    "from",
    "only what is dated this day or later",
    {"type": "string", **DAY, "example": "2025-01-01"},
    _day("from"),
)
TO = Query(
    "to",
    "only what is dated this day or earlier",
    {"type": "string", **DAY, "example": "2025-12-31"},
    _day("to"),
)
FILTERS = (
    KIND,
    Query("maker", "only records of this maker, as the catalogue names it", {"type": "string"}, str),
    Query("model", "only records of this model, as the catalogue names it", {"type": "string"}, str),
    CHANNEL,
    FROM,
    TO,
    Query(
        "withdrawn",
        "false (the default): only records in use; true: only withdrawn ones; any: both",
        {"type": "string", "enum": list(_STATES)},
        _state,
    ),
    *PAGED,
)


def listed(asked: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of records, and the header with the link to the next one. Raises FaultyRequestError."""
    page = page_of(asked)
    withdrawn = _STATES[asked.pop("withdrawn") or "false"]
    try:
        wanted = {**asked, **_names(asked["maker"], asked["model"])}
    except InputError as error:
        raise FaultyRequestError([Located(None, fault) for fault in error.faults]) from None
    wanted = {name: value for name, value in wanted.items() if value is not None}
    with reading(context().engine) as connection:
        found = records.page(connection, wanted, withdrawn, page.after, page.limit + 1)
    shown = found[: page.limit]
    return {"evidence": [dump_record(SimpleNamespace(**row)) for row in shown]}, next_link(
        found, page, shown[-1][ORDER] if shown else 0
    )


def _names(maker: str | None, model: str | None) -> dict[str, str | None]:
    """Return maker and model in the form stored with records. Raises InputError for unknown names."""
    if maker is None and model is None:
        return {}
    catalogue = bundle().valuer.catalogue
    if maker is not None and model is not None:
        catalogue.find(maker, model)
    elif maker is not None:
        catalogue.of_maker(maker)
    elif model is not None:
        catalogue.named(model)
    return {"maker": normal(maker) if maker else maker, "model": normal(model) if model else model}
