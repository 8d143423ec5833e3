"""Keys over HTTP: make, rotate and revoke them, each once for each Idempotency-Key."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from flask import g
from sqlalchemy import Connection

from service.context import context
from service.db.engine import writing
from service.errors import ShownOnceError
from service.http.idempotency import claim_of_request, taken
from service.keys.kinds import NewKey
from service.keys.records import KeyEntry


@dataclass(frozen=True)
class MadeKey(KeyEntry):
    """An entry of a key, with the key itself, which is shown only in this answer."""

    key: str = ""


def make(asked: NewKey) -> MadeKey:
    """Make a key. Raises ShownOnceError if this request's Idempotency-Key made one before."""

    def add(connection: Connection) -> tuple[str, str]:
        return context().keys.add(connection, asked, g.caller.key_id)

    return _made_once(add)


def rotate(key_id: str, overlap_hours: float) -> MadeKey:
    """Give a key a new secret. Raises UnknownRecordError, KeyRevokedError, or ShownOnceError as in `make`."""

    def add(connection: Connection) -> tuple[str, str]:
        return key_id, context().keys.add_secret(connection, key_id, overlap_hours, g.caller.key_id)

    return _made_once(add)


def revoke(key_id: str) -> KeyEntry:
    """Revoke a key. Raises UnknownRecordError."""
    with _changing():
        context().keys.revoke(key_id, g.caller.key_id)
    return context().keys.entry(key_id)


def _made_once(add: Callable[[Connection], tuple[str, str]]) -> MadeKey:
    claim = claim_of_request()
    with _changing(), writing(context().engine) as connection:
        key_id, key = add(connection)
        before = taken(connection, claim, key_id) if claim else None
        if before is not None:
            raise ShownOnceError(before)  # the error rolls back the new secret
    return MadeKey(**vars(context().keys.entry(key_id)), key=key)


@contextmanager
def _changing() -> Iterator[None]:
    yield
    context().callers.forget()  # this worker looks keys up anew; others within `key_seconds`
