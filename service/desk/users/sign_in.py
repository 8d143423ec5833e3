"""Sign in with name, password and code. Every failure looks the same, and takes the same time.

A row keeps how often it failed. After a few failures each one more locks the user for twice as long; what is
sent meanwhile is checked, and refused whatever it is.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Row, select, update

from models.costs import FREE_FAILURES, LOCK_SECONDS, LONGEST_LOCK_SECONDS, LONGEST_USER_NAME
from service.context import context
from service.db import audit
from service.db.engine import reading, writing
from service.db.request_tables import DESK_USERS
from service.db.tables import KEYS
from service.desk.users import passwords, second_factor, sessions

_FIND = (
    select(DESK_USERS).join(KEYS, DESK_USERS.c.key_id == KEYS.c.id).where(KEYS.c.revoked.is_(None))
)  # whose key was revoked cannot sign in


def sign_in(name: str, password: str, code: str) -> str | None:
    """Return the token of a new session; None if name, password and code do not belong together."""
    name = name.strip()
    known = name.isprintable() and 0 < len(name) <= LONGEST_USER_NAME
    user = None
    if known:
        with reading(context().engine) as connection:
            user = connection.execute(_FIND.where(DESK_USERS.c.name == name)).first()
    # Without a transaction, because it takes long.
    right = passwords.is_right(user.password if user else None, password)
    seed = user.second_factor if user else ""
    step = second_factor.step_of(context().settings.secret, seed, code)
    renewed = passwords.hashed(password) if user and right and passwords.is_outdated(user.password) else None
    with writing(context().engine) as connection:
        # Read again, so that of many attempts at once no more count than of as many in turn.
        user_id = user.id if user else ""
        now = connection.execute(_FIND.where(DESK_USERS.c.id == user_id).with_for_update()).first()
        if user is None or now is None or now.password != user.password:
            return None
        if not right or step is None or step <= now.last_step or _is_locked(now):
            _failed(connection, now)
            return None
        values: dict[str, Any] = {"failed": 0, "locked": None, "last_step": step}
        values |= {"password": renewed} if renewed else {}
        connection.execute(update(DESK_USERS).where(DESK_USERS.c.id == now.id).values(values))
        audit.record(connection, now.key_id, "desk_signed_in", now.id, "with password and code")
        return sessions.begin(connection, now.id)


def _is_locked(user: Row[Any]) -> bool:
    return user.locked is not None and bool(user.locked > datetime.now(UTC))


def _failed(connection: Connection, user: Row[Any]) -> None:
    """Count a failure. One while the user is locked does not, so that nobody can be kept out for ever."""
    if _is_locked(user):
        return
    failed = user.failed + 1
    values: dict[str, Any] = {"failed": failed}
    if failed >= FREE_FAILURES:
        seconds = min(LONGEST_LOCK_SECONDS, LOCK_SECONDS * 2 ** min(failed - FREE_FAILURES, 16))
        values["locked"] = datetime.now(UTC) + timedelta(seconds=seconds)
        detail = f"for {seconds} seconds after {failed} failures"
        audit.record(connection, user.key_id, "desk_locked", user.id, detail)
    connection.execute(update(DESK_USERS).where(DESK_USERS.c.id == user.id).values(values))
