"""Outcomes in the database: each row links a valuation to the record of its sale."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, bindparam, delete, insert, select, update

from service.api.evidence.records import Mark
from service.db.tables import OUTCOMES

Row = Mapping[str, Any]

_OF = OUTCOMES.c.valuation_id == bindparam("wanted_id")
_FIND = select(OUTCOMES).where(_OF)
_DELETE = delete(OUTCOMES).where(_OF)


def find(connection: Connection, valuation_id: str, *, to_change: bool = False) -> Row | None:
    """Return the outcome of a valuation, None if none was recorded. `to_change`: lock its row."""
    query = _FIND.with_for_update() if to_change else _FIND
    row = connection.execute(query, {"wanted_id": valuation_id}).first()
    return None if row is None else row._asdict()


def link(connection: Connection, valuation_id: str, evidence_id: str, before: Row | None, mark: Mark) -> None:
    """Make this record of evidence the valuation's outcome. `before`: the old row, from `find`."""
    values = {"evidence_id": evidence_id, "key_id": mark.key_id, "changed": mark.at}
    if before is None:
        row = {**values, "valuation_id": valuation_id, "recorded": mark.at}
        connection.execute(insert(OUTCOMES), row)
    else:
        connection.execute(update(OUTCOMES).where(OUTCOMES.c.valuation_id == valuation_id).values(values))


def unlink(connection: Connection, valuation_id: str) -> None:
    """Remove the outcome of a valuation."""
    connection.execute(_DELETE, {"wanted_id": valuation_id})
