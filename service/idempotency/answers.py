"""Doing once what changes records, for answers that are response again to the byte and cannot be made again.

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
from service.web import raw_response

_KEEP = insert(ANSWERS)
_FOUND = select(ANSWERS.c.status, ANSWERS.c.location, ANSWERS.c.body).where(
    ANSWERS.c.id == bindparam("answer_id")
)


class StoredResponse(NamedTuple):
    """An answer of JSON: its status, the path of what was made if it is one thing, and its body."""

    status: int
    location: str | None
    body: bytes

    def response(self) -> Response:
        """The answer as it is sent."""
        return raw_response(self.body, self.status, {"Location": self.location} if self.location else None)


def stored_response(claimed: Claim | None) -> StoredResponse | None:
    """What was response under this claim, if it was made before. Raises OtherBodyError."""
    answer_id = claimed_before(claimed) if claimed else None
    return None if answer_id is None else _find(answer_id)


def run_once(change: Callable[[Connection], StoredResponse], claimed: Claim | None) -> StoredResponse:
    """What `change` answers, in one transaction with what it changed; or what this claim was told before."""
    response = stored_response(claimed)
    if response is not None:
        return response
    answer_id = new_id("ans")
    with writing(context().engine) as connection:
        before = taken(connection, claimed, answer_id) if claimed else None
        if before is None:
            response = change(connection)
            if claimed:
                _keep(connection, answer_id, response)
            return response
    return _find(before)


def _keep(connection: Connection, answer_id: str, response: StoredResponse) -> None:
    row = {
        **response._asdict(),
        "id": answer_id,
        "body": response.body.decode(),
        "created": datetime.now(UTC),
    }
    connection.execute(_KEEP, row)


def _find(answer_id: str) -> StoredResponse:
    with reading(context().engine) as connection:
        status, location, body = connection.execute(_FOUND, {"answer_id": answer_id}).one()
    return StoredResponse(status, location, body.encode())
