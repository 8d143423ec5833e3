"""Entries of the catalogue that were added, corrected or taken out, in the database."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import orjson
from flask import g
from sqlalchemy import Connection, Row, insert, select, text, update

from models.domain.catalogue import Model, entry_of
from models.domain.names import normal
from service.db.tables import CATALOGUE_ENTRIES

_TURN = text(f"LOCK TABLE {CATALOGUE_ENTRIES.name} IN SHARE ROW EXCLUSIVE MODE")  # readers do not wait for it


def key_of(maker: str, name: str) -> str:
    """Return the id of a model: the same for every spelling of its names that counts as the same."""
    return hashlib.sha256(f"{normal(maker)}\n{normal(name)}".encode(errors="surrogatepass")).hexdigest()


def take_turn(connection: Connection) -> None:
    """Let no other transaction change an entry before this one ends."""
    if connection.dialect.name == "postgresql":
        connection.execute(_TURN)


def all_entries(connection: Connection) -> Mapping[str, Row[Any]]:
    """Return every row by its id, in the order in which they were made."""
    wanted = select(CATALOGUE_ENTRIES).order_by(CATALOGUE_ENTRIES.c.created, CATALOGUE_ENTRIES.c.id)
    return {row.id: row for row in connection.execute(wanted)}


def find(connection: Connection, maker: str, name: str) -> Row[Any] | None:
    """Return the row of a model; None if nobody has changed it."""
    wanted = select(CATALOGUE_ENTRIES).where(CATALOGUE_ENTRIES.c.id == key_of(maker, name))
    return connection.execute(wanted).first()


def mark_of(row: Row[Any]) -> dict[str, Any]:
    """Return how often a row was changed, when last, and by which key."""
    return {"version": row.version, "changed": row.changed, "key": row.key_id}


def put(connection: Connection, before: Row[Any] | None, model: Model, *, withdrawn: bool = False) -> None:
    """Keep a model as it is to be. `before`: its row; None: there is none yet. `withdrawn`: it is to go."""
    now = datetime.now(UTC)
    values = {
        "maker": model.maker,
        "name": model.name,
        "entry": orjson.dumps(entry_of(model)).decode(),
        "version": before.version + 1 if before else 1,
        "changed": now,
        "key_id": g.caller.key_id,
        "withdrawn": now if withdrawn else None,
    }
    if before:
        connection.execute(
            update(CATALOGUE_ENTRIES).where(CATALOGUE_ENTRIES.c.id == before.id).values(values)
        )
    else:
        values |= {"id": key_of(model.maker, model.name), "created": now}
        connection.execute(insert(CATALOGUE_ENTRIES).values(values))
