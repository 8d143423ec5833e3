"""Records of evidence in the database: the present state of each record, and a row for every change."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

import orjson
from sqlalchemy import ColumnElement, Connection, and_, bindparam, func, insert, not_, select, text, update

from models.domain.cells import is_id
from models.domain.evidence import Evidence
from models.tables.evidence_columns import (
    CONFIRMED,
    NO_WARNINGS,
    ORDER,
    WARNINGS,
    WITHDRAWN,
    from_row,
    to_row,
)
from models.valuation.plausibility import RecordWarning
from service.db.tables import CHANGES, EVIDENCE
from service.errors import UnknownRecordError

_FIND = select(EVIDENCE).where(EVIDENCE.c.id == bindparam("record_id"))
_STANDING = select(EVIDENCE).where(EVIDENCE.c.id.in_(bindparam("wanted", expanding=True)))
_ADD = insert(EVIDENCE)
_CHANGE = update(EVIDENCE).where(EVIDENCE.c.id == bindparam("of_id"))
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
    """A record ready to be kept: as the columns of its row, its warnings included, and as JSON."""

    row: dict[str, Any]
    record: str

    @classmethod
    def of(cls, e: Evidence, warnings: Iterable[RecordWarning] = ()) -> Prepared:
        """Make the columns and the JSON of a record."""
        told = orjson.dumps([one._asdict() for one in warnings]).decode()
        return cls({**to_row(e), WARNINGS: told}, _json(e))


def add(connection: Connection, found: Sequence[Prepared], mark: Mark) -> dict[str, Row]:
    """Add records, except those whose id exists already; return the rows that exist, by id.

    The ids must differ from each other. Call `take_turn` first, so that no other transaction adds records.
    """
    there = standing(connection, found)
    new = [one for one in found if one.row["id"] not in there]
    if new:
        now = {"version": 1, "recorded": mark.at, "changed": mark.at}
        connection.execute(_ADD, [{**one.row, **now} for one in new])
        connection.execute(_NOTE, [_change(one.row["id"], one.record, 1, "recorded", mark) for one in new])
    return there


def standing(connection: Connection, found: Sequence[Prepared], *, to_change: bool = False) -> dict[str, Row]:
    """Return the rows that exist with the ids of these records, by id. `to_change`: lock them."""
    query = _STANDING.order_by(EVIDENCE.c.id).with_for_update() if to_change else _STANDING
    rows = connection.execute(query, {"wanted": [one.row["id"] for one in found]})
    return {row.id: row._asdict() for row in rows}


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


def replace(connection: Connection, changes: Sequence[tuple[Row, Prepared]], action: str, mark: Mark) -> None:
    """Replace records, each given with its old row; a withdrawn one is in use again.

    What was confirmed stays so only if neither the record nor its warnings are changed.
    """
    rows, notes = [], []
    for before, new in changes:
        same = before[WARNINGS] == new.row[WARNINGS] and from_row(before) == from_row(new.row)
        row = {**new.row, WITHDRAWN: None, CONFIRMED: before[CONFIRMED] if same else None}
        version = before["version"] + 1
        rows.append({**row, "version": version, "changed": mark.at, "of_id": before["id"]})
        notes.append(_change(before["id"], new.record, version, action, mark))
    if rows:
        connection.execute(_CHANGE, rows)
        connection.execute(_NOTE, notes)


def withdraw(connection: Connection, before: Row, mark: Mark) -> None:
    """Mark a record as withdrawn; it stays in the table. `before`: the old row, from `find`."""
    _set(connection, before, WITHDRAWN, "withdrawn", mark)


def confirm(connection: Connection, before: Row, mark: Mark) -> None:
    """Mark a record as right in spite of its warnings. `before`: the old row, from `find`."""
    _set(connection, before, CONFIRMED, "confirmed", mark)


def _set(connection: Connection, before: Row, moment: str, action: str, mark: Mark) -> None:
    version = before["version"] + 1
    connection.execute(
        _CHANGE, [{"of_id": before["id"], "version": version, "changed": mark.at, moment: mark.at}]
    )
    record = _json(from_row(before))
    connection.execute(_NOTE, _change(before["id"], record, version, action, mark))


def history(connection: Connection, record_id: str) -> list[Row]:
    """Return every change of a record, oldest first. Raises UnknownRecordError."""
    find(connection, record_id)
    return [row._asdict() for row in connection.execute(_HISTORY, {"record_id": record_id})]


def page(connection: Connection, wanted: Mapping[str, Any], after: int, limit: int) -> list[Row]:
    """Return up to `limit` records after this position, in the order in which they were recorded.

    `wanted`: the filters, see `_CONDITIONS`.
    """
    query = select(EVIDENCE).where(EVIDENCE.c[ORDER] > after).order_by(EVIDENCE.c[ORDER]).limit(limit)
    for name, value in wanted.items():
        query = query.where(_CONDITIONS[name](value))
    return [row._asdict() for row in connection.execute(query)]


def state(connection: Connection) -> int:
    """Return a number that grows with every record and every change of one."""
    return int(connection.execute(_STATE).scalar_one())


_STATE = select(func.coalesce(func.sum(EVIDENCE.c.version), 0))
_WITHDRAWN = EVIDENCE.c[WITHDRAWN].is_not(None)
HELD = and_(EVIDENCE.c[WARNINGS] != NO_WARNINGS, EVIDENCE.c[CONFIRMED].is_(None))
_CONDITIONS: Mapping[str, Callable[[Any], ColumnElement[bool]]] = {
    "kind": EVIDENCE.c.kind.__eq__,
    "maker": EVIDENCE.c.maker.__eq__,
    "model": EVIDENCE.c.model.__eq__,
    "channel": EVIDENCE.c.channel.__eq__,
    "from": EVIDENCE.c.day.__ge__,
    "to": EVIDENCE.c.day.__le__,
    "withdrawn": lambda wanted: _WITHDRAWN if wanted else not_(_WITHDRAWN),
    "warned": lambda wanted: HELD if wanted else not_(HELD),
}


def _change(record_id: str, record: str, version: int, action: str, mark: Mark) -> dict[str, Any]:
    change = {"evidence_id": record_id, "version": version, "action": action, "record": record}
    return {**change, **mark._asdict()}


def _json(e: Evidence) -> str:
    return orjson.dumps(e.to_nested()).decode()
