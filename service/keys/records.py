"""Keys as they are kept: never the key itself, only a digest of it under the server's secret."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import NamedTuple

from sqlalchemy import Connection, Engine, insert, select, update
from sqlalchemy.exc import OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from service.errors import KeyInvalidError, UnknownRecordError
from service.keys.table import KEYS
from service.store.base import reading, writing

PREFIX = "bmk"
SCOPES = {
    "valuations": "value instruments, read valuations, the catalogue and the vocabulary",
    "metrics": "read the figures at /metrics, and nothing else",
    "admin": "everything that concerns the running of the service",
}
_MOST_CACHED = 1_000
_ID = re.compile(r"[0-9a-f]{12}", re.ASCII)


@dataclass(frozen=True)
class Caller:
    """Who asks: the key's id and what it may do."""

    key_id: str
    scopes: frozenset[str]


class _Known(NamedTuple):
    """A key that was found: when the database was last asked for it, and when it last said so."""

    asked: float
    seen: float
    caller: Caller


@dataclass(frozen=True)
class KeyEntry:
    """One key as a list shows it."""

    id: str
    label: str
    scopes: str
    created: datetime
    revoked: datetime | None


class KeyRing:
    """The keys of one database under one secret.

    Trusts for `seconds` what it has looked up, and for `outage_seconds` while the database does not answer.
    """

    def __init__(
        self, engine: Engine, secret: str, seconds: float = 0.0, outage_seconds: float = 0.0
    ) -> None:
        self._engine = engine
        self._secret = secret.encode()
        self._seconds = seconds
        self._outage_seconds = outage_seconds
        self._known: dict[str, _Known] = {}

    def create(self, label: str, scopes: Iterable[str]) -> tuple[str, str]:
        """A new key: its id and the key, which is said this once."""
        key_id = secrets.token_hex(6)
        key = f"{PREFIX}_{key_id}_{secrets.token_urlsafe(32)}"
        row = {
            "id": key_id,
            "label": label,
            "scopes": " ".join(sorted(set(scopes))),
            "digest": self._digest(key),
            "created": datetime.now(UTC),
        }
        with writing(self._engine) as connection:
            connection.execute(insert(KEYS).values(row))
        return key_id, key

    def entries(self) -> list[KeyEntry]:
        """All keys, oldest first."""
        columns = (KEYS.c.id, KEYS.c.label, KEYS.c.scopes, KEYS.c.created, KEYS.c.revoked)
        with reading(self._engine) as connection:
            rows = connection.execute(select(*columns).order_by(KEYS.c.created, KEYS.c.id))
            return [KeyEntry(*row) for row in rows]

    def revoke(self, key_id: str) -> None:
        """From now on the key opens nothing. Raises UnknownRecordError."""
        with writing(self._engine) as connection:
            known = connection.execute(select(KEYS.c.revoked).where(KEYS.c.id == key_id)).first()
            if known is None:
                raise UnknownRecordError(f"There is no key {key_id[:40]!r}.")
            still = (KEYS.c.id == key_id) & KEYS.c.revoked.is_(None)
            connection.execute(update(KEYS).where(still).values(revoked=datetime.now(UTC)))

    def caller(self, key: str) -> Caller:
        """Whose key this is. Raises KeyInvalidError."""
        digest = self._digest(key)
        known = self._known.get(digest)
        now = time.monotonic()
        if known is not None and now - known.asked < self._seconds:
            return known.caller
        try:
            with reading(self._engine) as connection:
                found = _Known(now, now, self._look_up(connection, key, digest))
        except (OperationalError, PoolTimeoutError):
            if known is None or now - known.seen >= self._outage_seconds:
                raise
            found = known._replace(asked=time.monotonic())
        if len(self._known) >= _MOST_CACHED:
            self._known.clear()
        self._known[digest] = found
        return found.caller

    def _look_up(self, connection: Connection, key: str, digest: str) -> Caller:
        prefix, _, rest = key.partition("_")
        key_id = rest.partition("_")[0]
        query = select(KEYS.c.digest, KEYS.c.scopes, KEYS.c.revoked).where(KEYS.c.id == key_id)
        row = connection.execute(query).first() if _ID.fullmatch(key_id) else None
        kept = row.digest if row is not None else ""
        # Compared whether or not there is such a key: the time must not tell.
        same = hmac.compare_digest(kept.ljust(64), digest)
        if prefix != PREFIX or row is None or not same or row.revoked is not None:
            raise KeyInvalidError("This key is not known here, or it was revoked.")
        return Caller(key_id, frozenset(row.scopes.split()))

    def _digest(self, key: str) -> str:
        return hmac.new(self._secret, key.encode("utf-8", "replace"), hashlib.sha256).hexdigest()
