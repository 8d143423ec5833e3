"""The feed of changes: each change of an item has a position, and positions become visible in their order."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Insert, Row, bindparam, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.db.item_tables import FEED, ITEMS

CREATED, CHANGED, VALUED, DELETED = CHANGES = ("created", "changed", "valued", "deleted")
_ROW = 1  # the id of the feed's only row
_SET = (
    update(ITEMS)
    .where(ITEMS.c.stock_number == bindparam("of_item"))
    .values(position=bindparam("at_position"), last_change=bindparam("by_change"))
)


def lock(connection: Connection, positions: int = 0) -> int:
    """Take so many positions, and return the last one taken before; nobody else takes any until the end.

    A transaction that changes items begins with it: those that came later wait, so that none of them shows a
    later position before the earlier one can be seen, and no two wait for each other's items.
    """
    made = _insert(connection).values(id=_ROW, position=positions)
    taken = made.on_conflict_do_update(  # type: ignore[attr-defined]
        index_elements=[FEED.c.id], set_={"position": FEED.c.position + positions}
    ).returning(FEED.c.position)
    return int(connection.execute(taken).scalar_one()) - positions


def record(connection: Connection, changed: Sequence[tuple[str, str]]) -> None:
    """Give each change, a stock number and a word of `CHANGES`, the next position.

    Called once in a transaction, with all that it changed.
    """
    if not changed:
        return
    before = lock(connection, len(changed))
    rows = [
        {"of_item": stock_number, "by_change": change, "at_position": position}
        for position, (stock_number, change) in enumerate(changed, before + 1)
    ]
    connection.execute(_SET, rows)


def last_position(connection: Connection) -> int:
    """Return the position of the last change, 0 before the first."""
    return int(connection.execute(select(FEED.c.position)).scalar() or 0)


def changes_after(connection: Connection, after: int, limit: int) -> Sequence[Row[Any]]:
    """Return the rows of up to `limit` items that were last changed after this position, in that order."""
    later = select(ITEMS).where(ITEMS.c.position > after).order_by(ITEMS.c.position).limit(limit)
    return connection.execute(later).all()


def _insert(connection: Connection) -> Insert:
    return sqlite.insert(FEED) if connection.dialect.name == "sqlite" else postgresql.insert(FEED)
