"""Valuations in the database."""

from __future__ import annotations

import lzma
import re
from typing import Any

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
ANSWER = ("answer", "packed")  # the columns that `answer_of` needs
_FIND = select(*(VALUATIONS.c[name] for name in ANSWER), VALUATIONS.c.key_id).where(
    VALUATIONS.c.id == bindparam("record_id")
)
_LONGEST_PLAIN = 12 * 1024  # in bytes; nearly all answers are shorter, and packing takes milliseconds


def new_id() -> str:
    """Return an id for a new valuation."""
    return ids.new_id("val")


def stored(answer: bytes) -> dict[str, object]:
    """Return the columns that hold an answer."""
    if len(answer) <= _LONGEST_PLAIN:
        return {"answer": answer.decode(), "packed": None}
    return {"answer": "", "packed": lzma.compress(answer, lzma.FORMAT_ALONE)}


def stored_size(columns: dict[str, object]) -> int:
    """Return the bytes that an answer takes in these columns."""
    answer, packed = columns["answer"], columns["packed"]
    return len(packed) if isinstance(packed, bytes) else len(str(answer).encode())


def answer_of(row: Any) -> bytes:
    """Return the answer that a row's columns hold, byte for byte."""
    return row.answer.encode() if row.packed is None else lzma.decompress(row.packed)


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
    return answer_of(found)
