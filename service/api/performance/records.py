"""Read kept valuations from the database together with the sales that are their outcomes."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import date, datetime
from typing import Any, NamedTuple

import orjson
from sqlalchemy import Connection, select

from models.domain.evidence import Evidence
from models.tables.evidence_columns import COLUMNS, WITHDRAWN, from_row
from service.api.evidence.records import HELD
from service.api.valuations.records import ANSWER, answer_of
from service.db.tables import EVIDENCE, OUTCOMES, VALUATIONS

_AT_ONCE = 200  # number of rows read at once: an answer can be ten thousand characters long
_SOLD = (
    select(*(VALUATIONS.c[name] for name in ANSWER), VALUATIONS.c.created, HELD.label("held"))
    .add_columns(*(EVIDENCE.c[name] for name in COLUMNS))
    .join(OUTCOMES, OUTCOMES.c.valuation_id == VALUATIONS.c.id)
    .join(EVIDENCE, EVIDENCE.c.id == OUTCOMES.c.evidence_id)
    .where(EVIDENCE.c[WITHDRAWN].is_(None), EVIDENCE.c.kind == "sale")
    .order_by(VALUATIONS.c.created, VALUATIONS.c.id)
)


_STANDING = (
    select(OUTCOMES.c.valuation_id, EVIDENCE.c.id, EVIDENCE.c.version)
    .join(EVIDENCE, EVIDENCE.c.id == OUTCOMES.c.evidence_id)
    .order_by(OUTCOMES.c.valuation_id)
)


class Sold(NamedTuple):
    """A valuation's answer, the moment at which it was made, and the sale of the instrument.

    `held`: a warning on the sale is neither confirmed nor corrected.
    """

    answer: dict[str, Any]
    made: datetime
    sale: Evidence
    held: bool


def standing(connection: Connection) -> str:
    """Return a digest of all outcomes, with the versions of their records: it changes with any of them."""
    rows = connection.execute(_STANDING).all()
    return hashlib.sha256(orjson.dumps([tuple(row) for row in rows])).hexdigest()


def sold(connection: Connection, first: date | None, last: date | None) -> Iterator[Sold]:
    """Yield every valuation whose outcome is a sale in use from this period, oldest valuation first."""
    query = _SOLD
    if first is not None:
        query = query.where(EVIDENCE.c.day >= first)
    if last is not None:
        query = query.where(EVIDENCE.c.day <= last)
    for row in connection.execution_options(yield_per=_AT_ONCE).execute(query):
        yield Sold(orjson.loads(answer_of(row)), row.created, from_row(row._asdict()), row.held)
