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
from service.idempotency.rules import Claim, claim_of_request, claimed_before, taken
from service.idempotency.table import ANSWERS
from service.store.base import reading, writing
from service.store.ids import new_id
from service.web import sent

_KEEP = insert(ANSWERS)
_FIND = select(ANSWERS.c.status, ANSWERS.c.location, ANSWERS.c.body).where(
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


def claim(body_digest: str | None = None) -> Claim | None:
    """The claim of this request (`claim_of_request`), so that it can be refused before any work is done."""
    return claim_of_request(body_digest)


def done_once(change: Callable[[Connection], Said], claimed: Claim | None) -> Said:
    """What `change` answers, in one transaction with what it changed; or what this claim was told before."""
    before = claimed_before(claimed) if claimed else None
    if before is None:
        answer_id = new_id("ans")
        with writing(context().engine) as connection:
            before = taken(connection, claimed, answer_id) if claimed else None
            if before is None:
                said = change(connection)
                if claimed:
                    _keep(connection, answer_id, said)
                return said
    with reading(context().engine) as connection:
        status, location, body = connection.execute(_FIND, {"answer_id": before}).one()
        return Said(status, location, body.encode())


def _keep(connection: Connection, answer_id: str, said: Said) -> None:
    row = {**said._asdict(), "id": answer_id, "body": said.body.decode(), "created": datetime.now(UTC)}
    connection.execute(_KEEP, row)
