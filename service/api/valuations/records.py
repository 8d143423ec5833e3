"""Valuations as they are kept."""

from __future__ import annotations

import re

from sqlalchemy import Connection, Engine, bindparam, insert, select

from service.db import ids
from service.db.single_insert import SingleInsert
from service.db.tables import VALUATIONS
from service.errors import UnknownRecordError
from service.keys.callers import Caller

_ID = re.compile(r"val_[0-9a-v]{26}", re.ASCII)
# Built once: building a statement costs as much as running it.
_KEEP = insert(VALUATIONS)
_KEEP_ALONE = SingleInsert(VALUATIONS)
_FIND = select(VALUATIONS.c.answer, VALUATIONS.c.key_id).where(VALUATIONS.c.id == bindparam("record_id"))


def new_id() -> str:
    """The id of a new valuation."""
    return ids.new_id("val")


def keep(connection: Connection, row: dict[str, object]) -> None:
    """Keep one valuation: a value for every column of the table."""
    connection.execute(_KEEP, row)


def keep_alone(engine: Engine, row: dict[str, object]) -> None:
    """The same, in a transaction of its own."""
    _KEEP_ALONE.run(engine, row)


def find(connection: Connection, record_id: str, caller: Caller) -> bytes:
    """The answer as it was given, to the byte. Raises UnknownRecordError, also for one not to be read."""
    possible = _ID.fullmatch(record_id) is not None  # a database is asked for no text that it cannot hold
    found = connection.execute(_FIND, {"record_id": record_id}).first() if possible else None
    if found is None or not caller.may_read(found.key_id):
        raise UnknownRecordError("There is no valuation with this id.")
    answer: str = found.answer
    return answer.encode()
