"""Authentication before every view, and authorization by the views' own decorators."""

from __future__ import annotations

from collections.abc import Callable, Collection

from flask import g, request
from sqlalchemy.exc import OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from service.context import context
from service.errors import KeyInvalidError, KeyMissingError, OriginError, ScopeError
from service.keys.callers import Caller, Callers
from service.keys.kinds import OWNER, WEBSITE
from service.keys.own_form import is_own_page

_ALIVE, _READY = "/healthz", "/readyz"
_LONGEST_KEY = 200


def is_monitoring() -> bool:
    """Say whether the request asks about health and sends no key that matters: it counts towards no limit."""
    path = request.path
    return path == _ALIVE or (path == _READY and "HTTP_AUTHORIZATION" not in request.environ)


def identify() -> None:
    """Find the caller by the key. A wrong key is not refused here, because some paths need no key."""
    caller = None
    if not is_monitoring():  # such an answer must not wait for the database
        try:
            caller = _caller(request.environ.get("HTTP_AUTHORIZATION", ""), context().callers, _guessing)
        except (KeyMissingError, KeyInvalidError, OperationalError, PoolTimeoutError) as error:
            g.no_caller = error
    g.caller = caller


def _guessing() -> bool:
    """Say whether the sender's address has sent as many requests without a valid key as it may."""
    return context().limits.used_up(request.remote_addr)


def _caller(authorization: str, callers: Callers, guessing: Callable[[], bool]) -> Caller:
    kind, _, key = authorization.partition(" ")
    key = key.strip()
    if kind.casefold() != "bearer" or not key or len(key) > _LONGEST_KEY:
        raise KeyMissingError("This path needs a key, sent as Authorization: Bearer KEY.")
    return callers.caller(key, guessing)


def check_caller(scopes: Collection[str], *, forms: bool = False, owners: bool = False) -> None:
    """Check that the caller sent a system key with one of these scopes.

    `forms`: or a website key. `owners`: or an owner's private link; the view checks which request it opens.

    Raises KeyMissingError, KeyInvalidError, ScopeError, OriginError, or the database's error.
    """
    caller: Caller | None = g.caller
    if caller is None:
        raise g.no_caller
    if caller.kind == WEBSITE:
        _check_origin(caller)
        if not forms:
            raise ScopeError("This is a website key; this path needs a system key.")
    elif caller.kind == OWNER:
        if not owners:
            raise ScopeError("This is an owner's private link; this path needs a key.")
    elif caller.scopes.isdisjoint(scopes):
        raise ScopeError(f"This key does not have the scope {' or '.join(scopes)}.")


def from_elsewhere(caller: Caller | None) -> bool:
    """Say whether this is a website key that was sent from a page of an origin that is not its own."""
    if caller is None or caller.kind != WEBSITE:
        return False
    origin = request.environ.get("HTTP_ORIGIN")
    return origin not in caller.origins and not is_own_page(caller, origin, request.host_url.rstrip("/"))


def _check_origin(caller: Caller) -> None:
    if from_elsewhere(caller):
        origin = request.headers.get("Origin")
        named = f"{origin[:200]!r} is not one of them" if origin else "this request names none"
        raise OriginError(f"This website key works from its own origins only, and {named}.")
