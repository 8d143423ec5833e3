"""Who asks, and whether they may; and what is done with keys over HTTP."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any, NamedTuple

from flask import g, request
from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from service.context import context
from service.errors import KeyInvalidError, KeyMissingError, OriginError, ScopeError, ShownOnceError
from service.health import PATHS as HEALTH_PATHS
from service.idempotency.rules import claim_of_request, taken
from service.keys.callers import Caller, Callers
from service.keys.kinds import WEBSITE, NewKey
from service.keys.records import KeyEntry
from service.schemas import moment
from service.store.base import writing

_LONGEST_KEY = 200


class Made(NamedTuple):
    """A key and its secret, said this once."""

    entry: KeyEntry
    key: str


def identify() -> None:
    """Find out who asks, before anything is refused: a path that needs no key is open to a wrong one too."""
    g.caller = None
    if request.path in HEALTH_PATHS:  # no word about the health of the service may wait for a database
        return
    try:
        g.caller = _caller(request.environ.get("HTTP_AUTHORIZATION", ""), context().callers)
    except (KeyMissingError, KeyInvalidError, OperationalError, PoolTimeoutError) as error:
        g.no_caller = error


def _caller(authorization: str, callers: Callers) -> Caller:
    kind, _, key = authorization.partition(" ")
    key = key.strip()
    if kind.casefold() != "bearer" or not key or len(key) > _LONGEST_KEY:
        raise KeyMissingError("This path needs a key, sent as Authorization: Bearer KEY.")
    return callers.caller(key)


def check_caller(scopes: Collection[str], *, forms: bool = False) -> None:
    """Let in who sent a system key with one of these scopes or, where `forms` may, a website key.

    Raises KeyMissingError, KeyInvalidError, ScopeError, OriginError, or what the database raised.
    """
    caller: Caller | None = g.caller
    if caller is None:
        raise g.no_caller
    if caller.kind == WEBSITE:
        _check_origin(caller)
        if not forms:
            raise ScopeError("This is a website key; this path needs a system key.")
    elif caller.scopes.isdisjoint(scopes):
        raise ScopeError(f"This key does not have the scope {' or '.join(scopes)}.")


def _check_origin(caller: Caller) -> None:
    origin = request.headers.get("Origin")
    if origin not in caller.origins:
        named = f"{origin[:200]!r} is not one of them" if origin else "this request names none"
        raise OriginError(f"This website key works from its own origins only, and {named}.")


# ── keys over HTTP ───────────────────────────────────────────────────────────


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
