"""The rows of photographs, and the files that they name, which go with the last row that names them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine, Row, delete, func, insert, select

from models.costs import MOST_PHOTOGRAPHS, UNREFERENCED_HOURS
from service.blobs.store import Blobs
from service.db.engine import reading
from service.db.ids import new_id
from service.db.request_tables import PHOTOGRAPHS, REQUESTS
from service.errors import TooManyPhotographsError, UnknownRecordError
from service.photographs.taking import FOLDER, Kept, digest_of, key_of

_AT_ONCE = 500
_ID = re.compile(r"pho_[0-9a-v]{26}", re.ASCII)  # other ids can hold characters that the database refuses


def add(connection: Connection, request_id: str, view: str, kept: Kept) -> dict[str, Any]:
    """Add a row for a photograph that is among the files; return it. Raises TooManyPhotographsError."""
    # Of two that come at once, the second waits here until the first is counted.
    connection.execute(select(REQUESTS.c.id).where(REQUESTS.c.id == request_id).with_for_update())
    check_room(connection, request_id)
    about = {"request_id": request_id, "view": view, "created": datetime.now(UTC), **kept._asdict()}
    row = {"id": new_id("pho"), **about}
    connection.execute(insert(PHOTOGRAPHS).values(row))
    return row


def check_room(connection: Connection, request_id: str) -> None:
    """Raise TooManyPhotographsError if the request can have no more photographs."""
    counted = select(func.count()).where(PHOTOGRAPHS.c.request_id == request_id)
    if connection.execute(counted).scalar_one() >= MOST_PHOTOGRAPHS:
        raise TooManyPhotographsError(
            f"The request has {MOST_PHOTOGRAPHS} photographs, and can have no more."
        )


def photographs_of(connection: Connection, request_id: str) -> Sequence[Row[Any]]:
    """Return the rows of a request's photographs, in the order in which they came."""
    wanted = select(PHOTOGRAPHS).where(PHOTOGRAPHS.c.request_id == request_id).order_by(PHOTOGRAPHS.c.id)
    return connection.execute(wanted).all()


def photograph_of(connection: Connection, request_id: str, photograph_id: str) -> Row[Any]:
    """Return the row of one of a request's photographs. Raises UnknownRecordError."""
    same = (PHOTOGRAPHS.c.request_id == request_id, PHOTOGRAPHS.c.id == photograph_id)
    possible = _ID.fullmatch(photograph_id) is not None
    row = connection.execute(select(PHOTOGRAPHS).where(*same)).first() if possible else None
    if row is None:
        raise UnknownRecordError(f"The request has no photograph with the id {photograph_id[:40]!r}.")
    return row


def remove(connection: Connection, row: Row[Any]) -> None:
    """Delete the row of a photograph; `release` deletes its files after the transaction."""
    connection.execute(delete(PHOTOGRAPHS).where(PHOTOGRAPHS.c.id == row.id))


def forget(connection: Connection, request_id: str) -> list[str]:
    """Delete the rows of all photographs of a request, and return the digests to `release` afterwards."""
    digests = [row.digest for row in photographs_of(connection, request_id)]
    connection.execute(delete(PHOTOGRAPHS).where(PHOTOGRAPHS.c.request_id == request_id))
    return digests


def release(engine: Engine, blobs: Blobs, digests: Iterable[str]) -> int:
    """Delete the files of those photographs that no row names any more; return how many photographs.

    If the process ends before, `prune` deletes the files later. A row that comes in the same moment finds its
    files again: they are put back here, or by whoever adds the row, whichever looks last.
    """
    released = 0
    for digest in set(digests):
        if _is_used(engine, digest):
            continue
        keys = [key_of(digest), key_of(digest, thumbnail=True)]
        contents = [blobs.get(key) for key in keys]
        for key in keys:
            blobs.delete(key)
        if _is_used(engine, digest):
            for key, content in zip(keys, contents, strict=True):
                if content is not None:
                    blobs.put(key, content)
        else:
            released += 1
    return released


def prune(engine: Engine, blobs: Blobs, now: datetime | None = None) -> int:
    """Delete photographs among the files that are older than a day and that no row names; return how many."""
    before = (now or datetime.now(UTC)) - timedelta(hours=UNREFERENCED_HOURS)
    found = sorted({digest_of(key) for key in blobs.keys(FOLDER, before)})
    used: set[str] = set()
    for at in range(0, len(found), _AT_ONCE):
        with reading(engine) as connection:
            some = PHOTOGRAPHS.c.digest.in_(found[at : at + _AT_ONCE])
            used.update(connection.execute(select(PHOTOGRAPHS.c.digest).where(some)).scalars())
    return release(engine, blobs, set(found) - used)


def _is_used(engine: Engine, digest: str) -> bool:
    with reading(engine) as connection:
        named = select(PHOTOGRAPHS.c.id).where(PHOTOGRAPHS.c.digest == digest).limit(1)
        return connection.execute(named).first() is not None
