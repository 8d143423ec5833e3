"""Claim an Idempotency-Key: a claim is stored in the same transaction as the record or answer that it made.

A second request that comes before the first has ended waits for its transaction. If that takes too long, it
is answered with 409, or with 503 for a busy database, and can be sent again. A claim holds for 24 hours.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from flask import Response, g, request
from sqlalchemy import ColumnElement, Connection, Insert, bindparam, delete, insert, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import OperationalError

from models.costs import IDEMPOTENCY_HOURS
from service.context import context
from service.db.engine import reading, writing
from service.db.ids import new_id
from service.db.tables import ANSWERS, CLAIMS
from service.errors import InFlightError, KeyFormError, OtherBodyError
from service.http.responses import raw_response, shown_at
from service.keys.kinds import WEBSITE

HEADER = "Idempotency-Key"
_LONGEST = 200
_KEEP = insert(ANSWERS)
_FOUND = select(ANSWERS.c.status, ANSWERS.c.location, ANSWERS.c.body).where(
    ANSWERS.c.id == bindparam("answer_id")
)


class IdempotencyClaim(NamedTuple):
    """One caller's Idempotency-Key at one path, and the digest of the body and query that came with it."""

    key_id: str
    method: str
    path: str
    idempotency_key: str
    body_digest: str


def claim_of_request(body_digest: str | None = None) -> IdempotencyClaim | None:
    """Return the claim of this request, None for one without an Idempotency-Key. Raises KeyFormError.

    `body_digest`: the SHA-256 of the body in hexadecimal digits, needed if the body was read as a stream.
    """
    sent = request.headers.get(HEADER)
    if sent is None:
        return None
    key = sent.strip()
    if len(key) > 1 and key[0] == key[-1] == '"':  # a quoted string, as the draft standard writes it
        key = key[1:-1]
    if not key or len(key) > _LONGEST or not key.isascii() or not key.isprintable():
        raise KeyFormError(f"An {HEADER} is 1 to {_LONGEST} printable ASCII characters.")
    body = body_digest.encode() if body_digest else request.get_data()
    asked = body + (b"?" + request.query_string if request.query_string else b"")
    digest = hashlib.sha256(asked).hexdigest()
    if g.caller.kind == WEBSITE:
        # All visitors of a page send one key, and must not meet under one name: so a name holds for one body.
        # An address would part them too, but it can change on the way: a retry would be made twice.
        key = hashlib.sha256(f"{key} {digest}".encode()).hexdigest()
    return IdempotencyClaim(g.caller.key_id, request.method, request.path, key, digest)


def claimed_before(claim: IdempotencyClaim) -> str | None:
    """The id of what was made under this claim, if something was. Raises OtherBodyError."""
    with reading(context().engine) as connection:
        return _made(connection, claim)


def taken(connection: Connection, claim: IdempotencyClaim, record_id: str) -> str | None:
    """Store the claim for this record in the open transaction; return the id claimed before, None for none.

    Raises OtherBodyError, or InFlightError if the first request's transaction does not end.
    """
    row = {**claim._asdict(), "record_id": record_id, "created": datetime.now(UTC)}
    try:
        insert = _insert(connection).values(row).returning(CLAIMS.c.record_id)
        mine = connection.execute(insert).first() is not None
    except OperationalError as error:
        if "lock timeout" not in str(error.orig):
            raise
        raise InFlightError(f"The first request with this {HEADER} has not ended.") from None
    if mine:
        return None
    before = _made(connection, claim)
    if before is None:  # the claim that stood in the way has outlived its time
        connection.execute(delete(CLAIMS).where(*_same(claim)))
        connection.execute(insert)
    return before


def _insert(connection: Connection) -> Insert:
    if connection.dialect.name == "sqlite":
        return sqlite.insert(CLAIMS).on_conflict_do_nothing()
    return postgresql.insert(CLAIMS).on_conflict_do_nothing()


def _made(connection: Connection, claim: IdempotencyClaim) -> str | None:
    alive = CLAIMS.c.created > datetime.now(UTC) - timedelta(hours=IDEMPOTENCY_HOURS)
    row = connection.execute(
        select(CLAIMS.c.record_id, CLAIMS.c.body_digest).where(*_same(claim), alive)
    ).first()
    if row is None:
        return None
    if row.body_digest != claim.body_digest:
        raise OtherBodyError(f"This {HEADER} was used with another body; use a new one.")
    return str(row.record_id)


def _same(claim: IdempotencyClaim) -> list[ColumnElement[bool]]:
    return [CLAIMS.c[name] == value for name, value in claim._asdict().items() if name != "body_digest"]


class StoredResponse(NamedTuple):
    """A JSON answer as it is stored: HTTP status, Location of the new record if there is one, and body."""

    status: int
    location: str | None
    body: bytes

    def response(self) -> Response:
        """Return the answer as an HTTP response."""
        headers = shown_at(self.location, new=True) if self.location else None
        return raw_response(self.body, self.status, headers)


def stored_response(claimed: IdempotencyClaim | None) -> StoredResponse | None:
    """Find the response that was stored under this claim, if there is one. Raises OtherBodyError."""
    answer_id = claimed_before(claimed) if claimed else None
    return None if answer_id is None else _find(answer_id)


def run_once(
    change: Callable[[Connection], StoredResponse], claimed: IdempotencyClaim | None
) -> StoredResponse:
    """Run `change` and store its response in one transaction; or give what is stored under this claim."""
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
