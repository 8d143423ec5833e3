"""Doing once what changes records, for answers that are said again to the byte and cannot be made again.

What was made may have been changed since, so the answer itself is kept, in the transaction of the change.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import NamedTuple

from flask import Response
from sqlalchemy import Connection, bindparam, insert, select

from service.context import context
from service.idempotency.rules import Claim, claimed_before, taken
from service.idempotency.table import ANSWERS
from service.store.base import reading, writing
from service.store.ids import new_id
from service.web import sent

_KEEP = insert(ANSWERS)
_FOUND = select(ANSWERS.c.status, ANSWERS.c.location, ANSWERS.c.body).where(
    ANSWERS.c.id == bindparam("answer_id")
)


class Said(NamedTuple):
    """An answer of JSON: its status, the path of what was made if it is one thing, and its body."""

    status: int
    location: str | None
    body: bytes

    def response(self) -> Response:
        """The answer as it is sent."""
        return sent(self.body, self.status, {"Location": self.location} if self.location else None)


def said_before(claimed: Claim | None) -> Said | None:
    """What was said under this claim, if it was made before. Raises OtherBodyError."""
    answer_id = claimed_before(claimed) if claimed else None
    return None if answer_id is None else _find(answer_id)


def done_once(change: Callable[[Connection], Said], claimed: Claim | None) -> Said:
    """What `change` answers, in one transaction with what it changed; or what this claim was told before."""
    said = said_before(claimed)
    if said is not None:
        return said
    answer_id = new_id("ans")
    with writing(context().engine) as connection:
        before = taken(connection, claimed, answer_id) if claimed else None
        if before is None:
            said = change(connection)
            if claimed:
                _keep(connection, answer_id, said)
            return said
    return _find(before)


def _keep(connection: Connection, answer_id: str, said: Said) -> None:
    row = {**said._asdict(), "id": answer_id, "body": said.body.decode(), "created": datetime.now(UTC)}
    connection.execute(_KEEP, row)


def _find(answer_id: str) -> Said:
    with reading(context().engine) as connection:
        status, location, body = connection.execute(_FOUND, {"answer_id": answer_id}).one()
    return Said(status, location, body.encode())
