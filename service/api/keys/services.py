"""Who asks, and whether they may; and what is done with keys over HTTP."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any, NamedTuple

from flask import g
from sqlalchemy import Connection

from service.context import context
from service.db.engine import writing
from service.errors import ShownOnceError
from service.http.idempotency import claim_of_request, taken
from service.http.schemas import moment
from service.keys.kinds import NewKey
from service.keys.records import KeyEntry


class Made(NamedTuple):
    """A key and its secret, said this once."""

    entry: KeyEntry
    key: str


def make(asked: NewKey) -> Made:
    """A new key. Raises ShownOnceError if this request's Idempotency-Key made one before."""

    def add(connection: Connection) -> tuple[str, str]:
        return context().keys.add(connection, asked, g.caller.key_id)

    return _made_once(add)


def rotate(key_id: str, overlap_hours: float) -> Made:
    """A new secret for this key. Raises UnknownRecordError, KeyRevokedError, or ShownOnceError as `make`."""

    def add(connection: Connection) -> tuple[str, str]:
        return key_id, context().keys.add_secret(connection, key_id, overlap_hours)

    return _made_once(add)


def revoke(key_id: str) -> KeyEntry:
    """End this key. Raises UnknownRecordError."""
    with _changing():
        context().keys.revoke(key_id)
    return context().keys.entry(key_id)


def _made_once(add: Callable[[Connection], tuple[str, str]]) -> Made:
    claim = claim_of_request()
    with _changing(), writing(context().engine) as connection:
        key_id, key = add(connection)
        before = taken(connection, claim, key_id) if claim else None
        if before is not None:
            raise ShownOnceError(before)  # and what was added is taken back
    return Made(context().keys.entry(key_id), key)


@contextmanager
def _changing() -> Iterator[None]:
    yield
    context().callers.forget()  # this worker knows at once; the others within `key_seconds`


def entry_answer(entry: KeyEntry) -> dict[str, Any]:
    """A key as it is answered: never itself."""
    return {
        "id": entry.id,
        "kind": entry.kind,
        "label": entry.label,
        "scopes": entry.scopes.split(),
        "origins": entry.origins.split(),
        "made_by": entry.made_by,
        "created": moment(entry.created),
        "revoked": _moment(entry.revoked),
        "used": _moment(entry.used),
        "secrets": [
            {"created": moment(one.created), "expires": _moment(one.expires), "used": _moment(one.used)}
            for one in entry.secrets
        ],
    }


def _moment(at: datetime | None) -> str | None:
    return moment(at) if at else None


def made_answer(made: Made) -> dict[str, Any]:
    """A key with its secret."""
    return {**entry_answer(made.entry), "key": made.key}
