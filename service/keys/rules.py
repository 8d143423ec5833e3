"""Who asks, and whether they may."""

from __future__ import annotations

from flask import g, request

from service.context import context
from service.errors import KeyMissingError, ScopeError


def check_caller(scope: str) -> None:
    """Let in who sent a key with this scope. Raises KeyMissingError, KeyInvalidError, ScopeError."""
    kind, _, key = request.headers.get("Authorization", "").partition(" ")
    key = key.strip()
    if kind.casefold() != "bearer" or not key or len(key) > 200:
        raise KeyMissingError("This path needs a key, sent as Authorization: Bearer KEY.")
    g.caller = context().keys.caller(key)
    if scope not in g.caller.scopes:
        raise ScopeError(scope)
