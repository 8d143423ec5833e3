"""Records of evidence in the database: the present state of each record, and a row for every change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

import orjson
from sqlalchemy import Connection, bindparam, insert, select, text, update

from models.domain.cells import is_id
from models.domain.evidence import Evidence
from models.tables.evidence_columns import ORDER, WITHDRAWN, from_row, to_row
from service.db.tables import CHANGES, EVIDENCE
from service.errors import UnknownRecordError

_FIND = select(EVIDENCE).where(EVIDENCE.c.id == bindparam("record_id"))
_STANDING = select(EVIDENCE.c.id).where(EVIDENCE.c.id.in_(bindparam("wanted", expanding=True)))
_ADD = insert(EVIDENCE)
_NOTE = insert(CHANGES)
_HISTORY = select(CHANGES).where(CHANGES.c.evidence_id == bindparam("record_id")).order_by(CHANGES.c.version)
# The lock that every transaction takes before it adds records; its number was chosen at random.
_TURN = text("SELECT pg_advisory_xact_lock(4821973650)")


Row = Mapping[str, Any]  # a row of a table: column name → value


class Mark(NamedTuple):
    """The key that made a change, the moment, and the reason if one was given."""

    key_id: str
    at: datetime
    reason: str | None = None


def take_turn(connection: Connection) -> None:
    """Wait until no other transaction adds records, so that records become visible in the order of the list.

    Otherwise a reader of the list's pages could miss a record whose transaction began first and ended last.
    SQLite has one writer at a time anyway.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(_TURN)


class Prepared(NamedTuple):
    """A record ready to be added: as the columns of its row, and as JSON."""

    row: dict[str, Any]
    record: str

    @classmethod
    def of(cls, e: Evidence) -> Prepared:
        """Make the columns and the JSON of a record."""
        return cls(to_row(e), _json(e))


def add(connection: Connection, found: Sequence[Prepared], mark: Mark) -> set[str]:
    """Add records, except those whose id exists already; return the ids of the added ones.

    The ids must differ from each other. Call `take_turn` first, so that no other transaction adds records.
    """
    standing = set(connection.execute(_STANDING, {"wanted": [one.row["id"] for one in found]}).scalars())
    new = [one for one in found if one.row["id"] not in standing]
    if new:
        now = {"version": 1, "recorded": mark.at, "changed": mark.at}
        connection.execute(_ADD, [{**one.row, **now} for one in new])
        connection.execute(_NOTE, [_change(one.row["id"], one.record, 1, "recorded", mark) for one in new])
    return {one.row["id"] for one in new}


def look(connection: Connection, record_id: str, *, to_change: bool = False) -> Row | None:
    """Return the record's row, also of a withdrawn record; None if there is none. `to_change`: lock it."""
    query = _FIND.with_for_update() if to_change else _FIND
    # An impossible id is not looked up, because it can hold characters that the database refuses.
    row = connection.execute(query, {"record_id": record_id}).first() if is_id(record_id) else None
    return None if row is None else row._asdict()


def find(connection: Connection, record_id: str, *, to_change: bool = False) -> Row:
    """Return the record's row as `look` does. Raises UnknownRecordError if there is none."""
    row = look(connection, record_id, to_change=to_change)
    if row is None:
        raise UnknownRecordError("There is no record of evidence with this id.")
    return row


def replace(connection: Connection, before: Row, e: Evidence, action: str, mark: Mark) -> None:
    """Replace a record; a withdrawn one is in use again. `before`: the old row, from `find`."""
    version = before["version"] + 1
    values = {**to_row(e), "version": version, "changed": mark.at, WITHDRAWN: None}
    connection.execute(update(EVIDENCE).where(EVIDENCE.c.id == e.id).values(values))
    connection.execute(_NOTE, _change(e.id, _json(e), version, action, mark))


def withdraw(connection: Connection, before: Row, mark: Mark) -> None:
    """Mark a record as withdrawn; it stays in the table. `before`: the old row, from `find`."""
    version = before["version"] + 1
    values = {"version": version, "changed": mark.at, WITHDRAWN: mark.at}
    connection.execute(update(EVIDENCE).where(EVIDENCE.c.id == before["id"]).values(values))
    record = _json(from_row(before))
    connection.execute(_NOTE, _change(before["id"], record, version, "withdrawn", mark))


def history(connection: Connection, record_id: str) -> list[Row]:
    """Return every change of a record, oldest first. Raises UnknownRecordError."""
    find(connection, record_id)
    return [row._asdict() for row in connection.execute(_HISTORY, {"record_id": record_id})]


def page(
    connection: Connection, wanted: Mapping[str, Any], withdrawn: bool | None, after: int, limit: int
) -> list[Row]:
    """Return up to `limit` records after this position, in the order in which they were recorded.

    `wanted`: the filters, see `_CONDITIONS`. `withdrawn`: True for only withdrawn records, False for only
    records in use, None for both.
    """
    query = select(EVIDENCE).where(EVIDENCE.c[ORDER] > after).order_by(EVIDENCE.c[ORDER]).limit(limit)
    for name, value in wanted.items():
        query = query.where(_CONDITIONS[name](value))
    if withdrawn is not None:
        mark = EVIDENCE.c[WITHDRAWN]
        query = query.where(mark.is_not(None) if withdrawn else mark.is_(None))
    return [row._asdict() for row in connection.execute(query)]


_CONDITIONS = {
    "kind": EVIDENCE.c.kind.__eq__,
    "maker": EVIDENCE.c.maker.__eq__,
    "model": EVIDENCE.c.model.__eq__,
    "channel": EVIDENCE.c.channel.__eq__,
    "from": EVIDENCE.c.day.__ge__,
    "to": EVIDENCE.c.day.__le__,
}


def _change(record_id: str, record: str, version: int, action: str, mark: Mark) -> dict[str, Any]:
    change = {"evidence_id": record_id, "version": version, "action": action, "record": record}
    return {**change, **mark._asdict()}


def _json(e: Evidence) -> str:
    return orjson.dumps(e.to_nested()).decode()
