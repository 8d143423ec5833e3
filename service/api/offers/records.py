"""Kept terms in the database."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Row, delete, func, insert, select, update

from service.db.item_tables import OFFER_TERMS


def find(connection: Connection, name: str, *, to_change: bool = False) -> Row[Any] | None:
    """Return the terms of this name, None if there are none. `to_change`: others wait until it is done."""
    query = select(OFFER_TERMS).where(OFFER_TERMS.c.name == name)
    return connection.execute(query.with_for_update() if to_change else query).first()


def count(connection: Connection) -> int:
    """Return the number of kept terms."""
    return connection.execute(select(func.count()).select_from(OFFER_TERMS)).scalar_one()


def keep(connection: Connection, row: Mapping[str, Any]) -> None:
    """Store new terms. `row`: a value for every column of the table but its number."""
    connection.execute(insert(OFFER_TERMS), row)


def change(connection: Connection, name: str, row: Mapping[str, Any]) -> None:
    """Replace the terms of this name."""
    changed = update(OFFER_TERMS).where(OFFER_TERMS.c.name == name)
    connection.execute(changed.values(**row, version=OFFER_TERMS.c.version + 1))


def remove(connection: Connection, name: str) -> None:
    """Delete the terms of this name."""
    connection.execute(delete(OFFER_TERMS).where(OFFER_TERMS.c.name == name))


def page(connection: Connection, after: int, most: int) -> list[Row[Any]]:
    """Return at most this many kept terms with a number greater than `after`, in order."""
    query = select(OFFER_TERMS).where(OFFER_TERMS.c.number > after).order_by(OFFER_TERMS.c.number).limit(most)
    return list(connection.execute(query))


def names(connection: Connection) -> list[str]:
    """Return the names of all kept terms, in order."""
    return list(connection.execute(select(OFFER_TERMS.c.name).order_by(OFFER_TERMS.c.name)).scalars())
