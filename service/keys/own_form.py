"""The website key of the service's own form, so that the page at /form asks the same API as any site's.

Its secret follows from the server's secret, so that every worker knows it without asking the database.
"""

from __future__ import annotations

import base64
import hmac
from datetime import UTC, datetime
from typing import NamedTuple

from sqlalchemy import Connection, Engine, insert, select, update
from sqlalchemy.exc import IntegrityError

from service.db import audit
from service.db.engine import reading, writing
from service.db.tables import KEYS, SECRETS
from service.errors import KeyInvalidError
from service.keys.callers import Caller, Callers
from service.keys.kinds import PREFIXES, WEBSITE
from service.keys.records import KeyRing

KEY_ID = "0f0000000001"  # of the form of a key's id, so that `bookmatch keys revoke` takes it
_LABEL = "the service's own form"


class OwnForm(NamedTuple):
    """The key of the service's own form, and the caller that it stands for."""

    key: str
    caller: Caller


def key_of(secret: str) -> str:
    """Return the key that belongs to this secret of the server."""
    made = hmac.digest(secret.encode(), b"the key of the service's own form", "sha256")
    return f"{PREFIXES[WEBSITE]}_{KEY_ID}_{base64.urlsafe_b64encode(made).decode().rstrip('=')}"


def own_form(engine: Engine, ring: KeyRing, callers: Callers, secret: str, origin: str) -> OwnForm | None:
    """Return the key of the own form, which is made when it is first needed; None if it was revoked.

    `origin`: that of the service's public address.
    """
    key = key_of(secret)
    try:
        found = callers.caller(key)
    except KeyInvalidError:
        found = None
    if found is None or origin not in found.origins:
        if not _make(engine, ring.digest(key), origin):
            return None
        callers.forget()
        found = callers.caller(key)
    return OwnForm(key, found)


def is_own_page(caller: Caller, origin: str | None, host_origin: str) -> bool:
    """Say whether the own form sent a request: browsers name no origin when a page asks its own host."""
    return caller.key_id == KEY_ID and origin in (None, host_origin)


def _make(engine: Engine, digest: str, origin: str) -> bool:
    """Write the key with this secret and origin, if it was not revoked; say whether it is there."""
    with reading(engine) as connection:  # a form that is switched off costs no write
        if connection.execute(select(KEYS.c.revoked).where(KEYS.c.id == KEY_ID)).scalar() is not None:
            return False
    try:
        with writing(engine) as connection:
            _write(connection, digest, origin)
    except IntegrityError:  # another worker made it at the same moment
        with writing(engine) as connection:
            _write(connection, digest, origin)
    return True


def _write(connection: Connection, digest: str, origin: str) -> None:
    mine, now = KEYS.c.id == KEY_ID, datetime.now(UTC)
    found = connection.execute(select(KEYS.c.origins).where(mine)).first()
    if found is None:
        row = {
            "id": KEY_ID,
            "kind": WEBSITE,
            "label": _LABEL,
            "scopes": "",
            "origins": origin,
            "created": now,
        }
        connection.execute(insert(KEYS).values(row))
        audit.record(connection, None, "key_created", KEY_ID, f"{WEBSITE}, {origin}, for {_LABEL}")
    elif found.origins != origin:
        connection.execute(update(KEYS).where(mine).values(origins=origin))
        audit.record(connection, None, "key_changed", KEY_ID, f"{origin} in place of {found.origins}")
    if connection.execute(select(SECRETS.c.key_id).where(SECRETS.c.digest == digest)).first() is None:
        connection.execute(insert(SECRETS).values(digest=digest, key_id=KEY_ID, created=now))
        if found is not None:
            audit.record(connection, None, "key_rotated", KEY_ID, "the service's own secret is another one")
