"""Look up the caller of a key, cache the result, and record the last use of each secret.

A worker trusts a cached result for `seconds`, or for `outage_seconds` while the database does not answer. So
a revoked key or a removed origin can work that much longer.
"""

from __future__ import annotations

import atexit
import hashlib
import hmac
import os
import re
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple

import structlog
from sqlalchemy import Connection, Engine, Select, bindparam, or_, select, update
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from service.db.engine import reading, writing
from service.db.request_tables import REQUESTS
from service.db.tables import KEYS, SECRETS
from service.errors import KeyInvalidError
from service.keys.kinds import LINK_PREFIX, OWNER, PREFIXES, SYSTEM, WEBSITE
from service.keys.records import KeyRing

_MOST_CACHED = 1_000
_USES_SECONDS = 30.0
_ID = re.compile(r"[0-9a-f]{12}", re.ASCII)
_log = structlog.get_logger()

# These statements are built once, because building one costs as much as running it.
_FIND = (
    select(KEYS.c.kind, KEYS.c.scopes, KEYS.c.origins, KEYS.c.revoked, SECRETS.c.digest, SECRETS.c.expires)
    .join(SECRETS, SECRETS.c.key_id == KEYS.c.id)
    .where(KEYS.c.id == bindparam("wanted_id"))
)
_ORIGINS = select(KEYS.c.origins).where(KEYS.c.kind == WEBSITE, KEYS.c.revoked.is_(None))
_DIGESTS = (
    select(SECRETS.c.digest)
    .join(KEYS, SECRETS.c.key_id == KEYS.c.id)
    .where(
        KEYS.c.revoked.is_(None), or_(SECRETS.c.expires.is_(None), SECRETS.c.expires > bindparam("moment"))
    )
)
_LINK = select(REQUESTS.c.id, REQUESTS.c.key_id).where(REQUESTS.c.link_digest == bindparam("wanted"))
_USED = (
    update(SECRETS)
    .where(SECRETS.c.digest == bindparam("wanted"))
    .where(or_(SECRETS.c.used.is_(None), SECRETS.c.used < bindparam("moment")))
    .values(used=bindparam("moment"))
)


@dataclass(frozen=True)
class Caller:
    """A caller: its key's id and kind, the scopes of a system key, the origins of a website key.

    An owner comes by a private link, which opens one request, `request_id`; the key is that which made it.
    """

    key_id: str
    scopes: frozenset[str] = frozenset()
    kind: str = SYSTEM
    origins: frozenset[str] = frozenset()
    request_id: str | None = None

    def may_read(self, key_id: str) -> bool:
        """Say whether the caller may read this key's records; a public website key reads its own only."""
        return self.kind == SYSTEM or key_id == self.key_id


class _Known(NamedTuple):
    """A cached key. `asked`: last look-up; `seen`: last look-up that succeeded (monotonic seconds).

    `expires`: seconds since 1970, None for a secret that does not expire.
    """

    digest: str
    asked: float
    seen: float
    expires: float | None
    caller: Caller


class _Texts:
    """All texts that a query gives, asked for again after `seconds`; a row can hold several, by a space."""

    def __init__(self, engine: Engine, query: Select[tuple[str]], seconds: float) -> None:
        self._engine, self._query, self._seconds = engine, query, seconds
        self._asked, self._found = float("-inf"), frozenset[str]()

    def all(self) -> frozenset[str]:
        """Return the texts; while the database does not answer, those that it gave last."""
        now = time.monotonic()
        if now - self._asked >= self._seconds:
            try:
                with reading(self._engine) as connection:
                    rows: Any = connection.execute(self._query, {"moment": datetime.now(UTC)}).scalars()
                    self._found = frozenset(text for row in rows for text in row.split())
            except (OperationalError, PoolTimeoutError):
                _log.warning("keys not read")
            self._asked = now
        return self._found

    def forget(self) -> None:
        """Ask again at the next call."""
        self._asked = float("-inf")


def _never() -> bool:
    return False


class Callers:
    """A worker's cache of the callers of a key ring."""

    def __init__(
        self, engine: Engine, ring: KeyRing, seconds: float = 0.0, outage_seconds: float = 0.0
    ) -> None:
        self._engine = engine
        self._ring = ring
        self._seconds = seconds
        self._outage_seconds = outage_seconds
        # The cache's keys are hashes that are cheaper than the digest, and useless outside this process.
        self._known: dict[bytes, _Known] = {}
        self._salt = os.urandom(16)
        self._uses: dict[str, float] = {}
        self._origins = _Texts(engine, _ORIGINS, seconds)
        self._digests = _Texts(engine, _DIGESTS, seconds)

    def caller(self, key: str, guessing: Callable[[], bool] = _never) -> Caller:
        """Return the caller whose key this is. Raises KeyInvalidError.

        `guessing`: says whether the sender has sent too many keys that nobody knows. The database is then
        asked about a new key only if its digest is there, so that guesses cost no look-ups.
        """
        name = hashlib.blake2b(key.encode("utf-8", "replace"), digest_size=32, key=self._salt).digest()
        known = self._known.get(name)
        now = time.monotonic()
        if known is None and guessing() and self._ring.digest(key) not in self._digests.all():
            raise _unknown()
        if known is None or now - known.asked >= self._seconds:
            try:
                known = self._known[name] = self._asked(key, known, now)
            except KeyInvalidError:
                self._known.pop(name, None)  # a key that was revoked is like any that nobody knows
                raise
        moment = time.time()
        if known.expires is not None and known.expires <= moment:
            raise KeyInvalidError("This key was replaced by another secret, and its time is over.")
        self._uses[known.digest] = moment
        return known.caller

    def _asked(self, key: str, known: _Known | None, now: float) -> _Known:
        digest = known.digest if known else self._ring.digest(key)
        try:
            with reading(self._engine) as connection:
                caller, expires = _look_up(connection, key, digest)
            found = _Known(digest, now, now, expires, caller)
        except (OperationalError, PoolTimeoutError):
            if known is None or now - known.seen >= self._outage_seconds:
                raise
            found = known._replace(asked=time.monotonic())
        if len(self._known) >= _MOST_CACHED:
            self._known.clear()
        return found

    def forget(self) -> None:
        """Empty the cache, because this worker has changed a key."""
        self._known.clear()
        self._origins.forget()
        self._digests.forget()

    def origins(self) -> frozenset[str]:
        """Return the origins of all website keys, whose pages may read answers."""
        return self._origins.all()

    # ── when each secret was last used ───────────────────────────────────────

    def write_uses(self) -> None:
        """Store when each secret was last used; without an answer of the database, try again next time."""
        uses, self._uses = self._uses, {}
        rows = [
            {"wanted": digest, "moment": datetime.fromtimestamp(moment, UTC)}
            for digest, moment in sorted(uses.items())  # sorted, so that two workers cannot deadlock
        ]
        try:
            if rows:
                with writing(self._engine) as connection:
                    connection.execute(_USED, rows)
        except (DBAPIError, PoolTimeoutError):
            self._uses = {**uses, **self._uses}

    def watch(self) -> None:
        """Store the last uses at intervals and at the process's end, in a thread that delays no request."""
        threading.Thread(target=self._watch, name="key-uses", daemon=True).start()
        atexit.register(self.write_uses)

    def _watch(self) -> None:
        while True:
            time.sleep(_USES_SECONDS)
            self.write_uses()


def _look_up(connection: Connection, key: str, digest: str) -> tuple[Caller, float | None]:
    """Return the key's caller, and when its secret expires (seconds since 1970). Raises KeyInvalidError."""
    prefix, _, rest = key.partition("_")
    if prefix == LINK_PREFIX:
        return _owner(connection, digest), None
    key_id = rest.partition("_")[0]
    rows = connection.execute(_FIND, {"wanted_id": key_id}).all() if _ID.fullmatch(key_id) else []
    # Compare with every secret, and for an unknown key too, so that the time taken gives nothing away.
    same = [hmac.compare_digest(kept, digest) for kept in [row.digest for row in rows] or ["0" * 64]]
    row = next((row for row, is_same in zip(rows, same, strict=False) if is_same), None)
    if row is None or row.revoked is not None or PREFIXES[row.kind] != prefix:
        raise _unknown()
    scopes, origins = frozenset(row.scopes.split()), frozenset(row.origins.split())
    expires = row.expires.timestamp() if row.expires is not None else None
    return Caller(key_id, scopes, row.kind, origins), expires


def _owner(connection: Connection, digest: str) -> Caller:
    row = connection.execute(_LINK, {"wanted": digest}).first()
    if row is None:
        raise _unknown()
    return Caller(row.key_id, kind=OWNER, request_id=row.id)


def _unknown() -> KeyInvalidError:
    return KeyInvalidError("This key is not known here, or it was revoked.")
