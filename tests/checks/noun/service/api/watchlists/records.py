"""Watchlists in the database."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row, insert, select

from service.db.tables import WATCHLISTS


def keep(connection: Connection, row: dict[str, object]) -> None:
    """Store a watchlist. `row`: a value for every column of the table but its number."""
    connection.execute(insert(WATCHLISTS), row)


def find(connection: Connection, watchlist_id: str) -> Row[Any] | None:
    """Return a watchlist, None if there is none with this id."""
    return connection.execute(select(WATCHLISTS).where(WATCHLISTS.c.id == watchlist_id)).first()


def page(connection: Connection, after: int, most: int) -> list[Row[Any]]:
    """Return at most this many watchlists with a number greater than `after`, in order."""
    query = select(WATCHLISTS).where(WATCHLISTS.c.number > after).order_by(WATCHLISTS.c.number).limit(most)
    return list(connection.execute(query))
