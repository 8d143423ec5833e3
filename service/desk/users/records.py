"""Users of the desk in the database: made, listed, changed and removed.

Each user has a key without a secret. It opens nothing over HTTP; records say by it who did something.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine, Row, delete, insert, select, update

from models.costs import LONGEST_USER_NAME
from models.errors import InputError
from service.db import audit
from service.db.engine import reading, writing
from service.db.request_tables import DESK_SESSIONS, DESK_USERS
from service.db.tables import KEYS
from service.desk.users import passwords, second_factor
from service.errors import DuplicateError, UnknownRecordError
from service.keys.kinds import SYSTEM
from service.texts import text_faults

SCOPES = ("admin", "evidence", "requests", "valuations")


@dataclass(frozen=True)
class User:
    """A user as a list shows it."""

    id: str
    name: str
    key_id: str
    created: datetime
    locked: datetime | None


def add(engine: Engine, name: str, password: str) -> str:
    """Make a user; return the seed of the second factor. Raises InputError, DuplicateError."""
    faults = text_faults("name", name, LONGEST_USER_NAME, "say who signs in")
    if faults:
        raise InputError(faults)
    passwords.check_new(password)
    name, kept, seed = name.strip(), passwords.hashed(password), second_factor.new_seed()
    with writing(engine) as connection:
        if _find(connection, name) is not None:
            raise DuplicateError(f"The desk has a user {name!r} already.")
        user_id, key_id = secrets.token_hex(8), secrets.token_hex(6)
        now = datetime.now(UTC)
        key = {"id": key_id, "kind": SYSTEM, "label": f"desk: {name}", "scopes": " ".join(SCOPES)}
        connection.execute(insert(KEYS).values(**key, origins="", created=now))
        row = {"id": user_id, "name": name, "key_id": key_id, "password": kept, "second_factor": seed}
        connection.execute(insert(DESK_USERS).values(**row, created=now))
        audit.record(connection, None, "desk_user_added", user_id, f"with the key {key_id}")
    return seed


def users(engine: Engine) -> list[User]:
    """Return all users, oldest first."""
    columns = [DESK_USERS.c[name] for name in User.__dataclass_fields__]
    with reading(engine) as connection:
        found = connection.execute(select(*columns).order_by(DESK_USERS.c.created, DESK_USERS.c.id))
        return [User(**row._mapping) for row in found]


def remove(engine: Engine, name: str) -> None:
    """Remove a user, and end the sessions and the key. Raises UnknownRecordError."""
    with writing(engine) as connection:
        row = _named(connection, name)
        connection.execute(delete(DESK_SESSIONS).where(DESK_SESSIONS.c.user_id == row.id))
        connection.execute(delete(DESK_USERS).where(DESK_USERS.c.id == row.id))
        connection.execute(update(KEYS).where(KEYS.c.id == row.key_id).values(revoked=datetime.now(UTC)))
        audit.record(connection, None, "desk_user_removed", row.id, f"with the key {row.key_id}")


def change_password(engine: Engine, name: str, password: str, *, new_factor: bool) -> str | None:
    """Give a user a new password, end the lock and all sessions; return a new seed where one was asked for.

    Raises InputError, UnknownRecordError.
    """
    passwords.check_new(password)
    kept, seed = passwords.hashed(password), second_factor.new_seed() if new_factor else None
    values = {"password": kept, "failed": 0, "locked": None}
    if seed:
        values |= {"second_factor": seed, "last_step": 0}
    with writing(engine) as connection:
        row = _named(connection, name)
        connection.execute(update(DESK_USERS).where(DESK_USERS.c.id == row.id).values(values))
        connection.execute(delete(DESK_SESSIONS).where(DESK_SESSIONS.c.user_id == row.id))
        changed = "password and second factor" if seed else "password"
        audit.record(connection, None, "desk_user_changed", row.id, f"a new {changed}; all sessions ended")
    return seed


def _find(connection: Connection, name: str) -> Row[tuple[object, ...]] | None:
    return connection.execute(select(DESK_USERS).where(DESK_USERS.c.name == name)).first()


def _named(connection: Connection, name: str) -> Row[tuple[object, ...]]:
    row = _find(connection, name.strip())
    if row is None:
        raise UnknownRecordError(f"The desk has no user {name[:LONGEST_USER_NAME]!r}.")
    return row
