"""Valuations in the database."""

from __future__ import annotations

import re

from sqlalchemy import Connection, Engine, bindparam, insert, select

from service.db import ids
from service.db.single_insert import SingleInsert
from service.db.tables import VALUATIONS
from service.errors import UnknownRecordError
from service.keys.callers import Caller

_ID = re.compile(r"val_[0-9a-v]{26}", re.ASCII)
# These statements are built once, because building one costs as much as running it.
_KEEP = insert(VALUATIONS)
_KEEP_ALONE = SingleInsert(VALUATIONS)
_FIND = select(VALUATIONS.c.answer, VALUATIONS.c.key_id).where(VALUATIONS.c.id == bindparam("record_id"))


def new_id() -> str:
    """Return an id for a new valuation."""
    return ids.new_id("val")


def keep(connection: Connection, row: dict[str, object]) -> None:
    """Store a valuation. `row`: a value for every column of the table."""
    connection.execute(_KEEP, row)


def keep_alone(engine: Engine, row: dict[str, object]) -> None:
    """Store a valuation as `keep` does, in a transaction of its own."""
    _KEEP_ALONE.run(engine, row)


def find(connection: Connection, record_id: str, caller: Caller) -> bytes:
    """Return a valuation's answer, byte for byte. Raises UnknownRecordError, also for a forbidden one."""
    possible = _ID.fullmatch(record_id) is not None  # other ids can hold characters that the database refuses
    found = connection.execute(_FIND, {"record_id": record_id}).first() if possible else None
    if found is None or not caller.may_read(found.key_id):
        raise UnknownRecordError("There is no valuation with this id.")
    answer: str = found.answer
    return answer.encode()
