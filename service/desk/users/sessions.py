"""Sessions of the desk: a random token in a cookie, and its digest in the database."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, and_, bindparam, delete, insert, select, update

from models.costs import IDLE_MINUTES, SEEN_SECONDS, SESSION_HOURS
from service.context import context
from service.db.engine import reading, writing
from service.db.request_tables import DESK_SESSIONS, DESK_USERS
from service.db.tables import KEYS
from service.errors import UnknownRecordError

_SHOWN = 16  # digits of a digest
_LONGEST_TOKEN = 100
_LIVE = and_(
    DESK_SESSIONS.c.ended.is_(None),
    DESK_SESSIONS.c.created > bindparam("born"),
    DESK_SESSIONS.c.seen > bindparam("used"),
)
_FIND = (
    select(DESK_SESSIONS.c.digest, DESK_SESSIONS.c.seen, DESK_USERS.c.id, DESK_USERS.c.name, KEYS.c.id)
    .join(DESK_USERS, DESK_SESSIONS.c.user_id == DESK_USERS.c.id)
    .join(KEYS, DESK_USERS.c.key_id == KEYS.c.id)
    .where(DESK_SESSIONS.c.digest == bindparam("digest"), _LIVE, KEYS.c.revoked.is_(None))
)


@dataclass(frozen=True)
class Session:
    """The session of a request: whose it is, and the key that stands for the user."""

    digest: str
    user_id: str
    name: str
    key_id: str


@dataclass(frozen=True)
class SessionEntry:
    """A session as the list shows it."""

    digest: str
    created: datetime
    seen: datetime
    is_this: bool

    @property
    def id(self) -> str:
        """The beginning of its digest, which names it on pages and opens nothing."""
        return self.digest[:_SHOWN]


def begin(connection: Connection, user_id: str) -> str:
    """Begin a session in an open transaction; return its token."""
    token, now = secrets.token_urlsafe(32), datetime.now(UTC)
    row = {"digest": context().keys.digest(token), "user_id": user_id, "created": now, "seen": now}
    connection.execute(insert(DESK_SESSIONS).values(row))
    return token


def find(token: str | None) -> Session | None:
    """Return the session of this token, None if there is none, or it has ended. This counts as a use."""
    if not token or len(token) > _LONGEST_TOKEN:
        return None
    now = datetime.now(UTC)
    wanted = {"digest": context().keys.digest(token), **_moments(now)}
    with reading(context().engine) as connection:
        row = connection.execute(_FIND, wanted).first()
    if row is None:
        return None
    digest, seen, user_id, name, key_id = row
    if now - seen > timedelta(seconds=SEEN_SECONDS):
        used = update(DESK_SESSIONS).where(DESK_SESSIONS.c.digest == digest).values(seen=now)
        with writing(context().engine) as connection:
            connection.execute(used)
    return Session(digest, user_id, name, key_id)


def entries(session: Session) -> list[SessionEntry]:
    """Return the user's sessions that can be used now, the newest first."""
    query = select(DESK_SESSIONS).where(DESK_SESSIONS.c.user_id == session.user_id, _LIVE)
    with reading(context().engine) as connection:
        found = connection.execute(
            query.order_by(DESK_SESSIONS.c.created.desc()), _moments(datetime.now(UTC))
        ).all()
    return [SessionEntry(row.digest, row.created, row.seen, row.digest == session.digest) for row in found]


def end(session: Session, entry_id: str | None = None) -> None:
    """End the user's session of this id; None: all of them. Raises UnknownRecordError."""
    mine = DESK_SESSIONS.c.user_id == session.user_id
    if entry_id is not None:
        digests = [entry.digest for entry in entries(session) if entry.id == entry_id]
        if not digests:
            raise UnknownRecordError("There is no such session.")
        mine = and_(mine, DESK_SESSIONS.c.digest.in_(digests))
    with writing(context().engine) as connection:
        connection.execute(update(DESK_SESSIONS).where(mine).values(ended=datetime.now(UTC)))


def forget(token: str | None) -> None:
    """Delete the session of this token, if there is one."""
    if token and len(token) <= _LONGEST_TOKEN:
        mine = DESK_SESSIONS.c.digest == context().keys.digest(token)
        with writing(context().engine) as connection:
            connection.execute(delete(DESK_SESSIONS).where(mine))


def _moments(now: datetime) -> dict[str, datetime]:
    return {"born": now - timedelta(hours=SESSION_HOURS), "used": now - timedelta(minutes=IDLE_MINUTES)}
