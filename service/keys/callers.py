"""The callers that keys belong to, looked up rarely and trusted in between; and the last use of each secret.

A worker trusts for `seconds` what it has looked up, so a key that was revoked, or an origin that is gone, can
live that long; and for `outage_seconds` while the database does not answer.
"""

from __future__ import annotations

import atexit
import hashlib
import hmac
import os
import re
import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import NamedTuple

import structlog
from sqlalchemy import Connection, Engine, bindparam, or_, select, update
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from service.db.engine import reading, writing
from service.db.tables import KEYS, SECRETS
from service.errors import KeyInvalidError
from service.keys.kinds import PREFIXES, SYSTEM, WEBSITE
from service.keys.records import KeyRing

_MOST_CACHED = 1_000
_USES_SECONDS = 30.0
_ID = re.compile(r"[0-9a-f]{12}", re.ASCII)
_log = structlog.get_logger()

# Built once: building a statement costs as much as running it.
_FIND = (
    select(KEYS.c.kind, KEYS.c.scopes, KEYS.c.origins, KEYS.c.revoked, SECRETS.c.digest, SECRETS.c.expires)
    .join(SECRETS, SECRETS.c.key_id == KEYS.c.id)
    .where(KEYS.c.id == bindparam("wanted_id"))
)
_ORIGINS = select(KEYS.c.origins).where(KEYS.c.kind == WEBSITE, KEYS.c.revoked.is_(None))
_USED = (
    update(SECRETS)
    .where(SECRETS.c.digest == bindparam("wanted"))
    .where(or_(SECRETS.c.used.is_(None), SECRETS.c.used < bindparam("moment")))
    .values(used=bindparam("moment"))
)


@dataclass(frozen=True)
class Caller:
    """A caller: its key's id and kind, the scopes of a system key, the origins of a website key."""

    key_id: str
    scopes: frozenset[str] = frozenset()
    kind: str = SYSTEM
    origins: frozenset[str] = frozenset()

    def may_read(self, key_id: str) -> bool:
        """Say whether it may read what this key made: everyone in the world can hold a website key."""
        return self.kind == SYSTEM or key_id == self.key_id


class _Known(NamedTuple):
    """A key that was found: when the database was last asked for it and last said so, when it expires."""

    digest: str
    asked: float
    seen: float
    expires: float | None
    caller: Caller


class Callers:
    """The callers of one key ring, as one worker knows them."""

    def __init__(
        self, engine: Engine, ring: KeyRing, seconds: float = 0.0, outage_seconds: float = 0.0
    ) -> None:
        self._engine = engine
        self._ring = ring
        self._seconds = seconds
        self._outage_seconds = outage_seconds
        # By a hash that is cheaper than the digest and means nothing outside this process.
        self._known: dict[bytes, _Known] = {}
        self._salt = os.urandom(16)
        self._uses: dict[str, float] = {}
        self._origins: tuple[float, frozenset[str]] = (float("-inf"), frozenset())

    def caller(self, key: str) -> Caller:
        """Whose key this is. Raises KeyInvalidError."""
        name = hashlib.blake2b(key.encode("utf-8", "replace"), digest_size=32, key=self._salt).digest()
        known = self._known.get(name)
        now = time.monotonic()
        if known is None or now - known.asked >= self._seconds:
            known = self._known[name] = self._asked(key, known, now)
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
        """Look everything up again: this worker has changed a key."""
        self._known.clear()
        self._origins = (float("-inf"), self._origins[1])

    def origins(self) -> frozenset[str]:
        """The origins of all website keys: those whose pages may read answers."""
        asked, found = self._origins
        now = time.monotonic()
        if now - asked < self._seconds:
            return found
        try:
            with reading(self._engine) as connection:
                rows = connection.execute(_ORIGINS).scalars()
                found = frozenset(origin for row in rows for origin in row.split())
        except (OperationalError, PoolTimeoutError):
            _log.warning("origins not read")  # those of before stand until the database answers
        self._origins = (now, found)
        return found

    # ── when each secret was last used ───────────────────────────────────────

    def write_uses(self) -> None:
        """Write down what was used since the last time. A database that does not answer loses nothing."""
        uses, self._uses = self._uses, {}
        rows = [
            {"wanted": digest, "moment": datetime.fromtimestamp(moment, UTC)}
            for digest, moment in sorted(
                uses.items()
            )  # in one order, so that no two workers wait for each other
        ]
        try:
            if rows:
                with writing(self._engine) as connection:
                    connection.execute(_USED, rows)
        except (DBAPIError, PoolTimeoutError):
            self._uses = {**uses, **self._uses}

    def watch(self) -> None:
        """Write uses down every so often, and when the process ends, never in the way of a request."""
        threading.Thread(target=self._watch, name="key-uses", daemon=True).start()
        atexit.register(self.write_uses)

    def _watch(self) -> None:
        while True:
            time.sleep(_USES_SECONDS)
            self.write_uses()


def _look_up(connection: Connection, key: str, digest: str) -> tuple[Caller, float | None]:
    """The caller, and when this secret expires (seconds since 1970). Raises KeyInvalidError."""
    prefix, _, rest = key.partition("_")
    key_id = rest.partition("_")[0]
    rows = connection.execute(_FIND, {"wanted_id": key_id}).all() if _ID.fullmatch(key_id) else []
    # Compared whether or not there is such a key, with every secret: the time must not tell.
    same = [hmac.compare_digest(kept, digest) for kept in [row.digest for row in rows] or ["0" * 64]]
    row = next((row for row, is_same in zip(rows, same, strict=False) if is_same), None)
    if row is None or row.revoked is not None or PREFIXES[row.kind] != prefix:
        raise KeyInvalidError("This key is not known here, or it was revoked.")
    scopes, origins = frozenset(row.scopes.split()), frozenset(row.origins.split())
    expires = row.expires.timestamp() if row.expires is not None else None
    return Caller(key_id, scopes, row.kind, origins), expires
