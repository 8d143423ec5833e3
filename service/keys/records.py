"""Keys in the database, which holds no key itself, only digests made with the server's secret."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, Engine, insert, or_, select, update

from service.db import audit
from service.db.engine import reading, writing
from service.db.tables import KEYS, SECRETS
from service.errors import KeyRevokedError, UnknownRecordError
from service.keys.kinds import DEFAULT_OVERLAP_HOURS, PREFIXES, NewKey, read_new_key


@dataclass(frozen=True)
class SecretEntry:
    """One secret of a key as a list shows it. `used`: its last use, up to a minute late."""

    created: datetime
    expires: datetime | None
    used: datetime | None


@dataclass(frozen=True)
class KeyEntry:
    """One key as a list shows it. Scopes and origins are separated by spaces; secrets are oldest first."""

    id: str
    kind: str
    label: str
    scopes: str
    origins: str
    made_by: str | None
    created: datetime
    revoked: datetime | None
    secrets: tuple[SecretEntry, ...] = ()

    @property
    def used(self) -> datetime | None:
        """The moment of its last use, by any of its secrets."""
        return max((secret.used for secret in self.secrets if secret.used), default=None)


_COLUMNS = tuple(column for column in KEYS.c if column.name in KeyEntry.__dataclass_fields__)


class KeyRing:
    """The keys of one database under one secret: made, listed, rotated, revoked."""

    def __init__(self, engine: Engine, secret: str) -> None:
        self._engine = engine
        self._secret = secret.encode()

    def create(
        self, label: str, scopes: Iterable[str] = (), *, kind: str | None = None, origins: Iterable[str] = ()
    ) -> tuple[str, str]:
        """Make a key; return its id and the key itself, which is never shown again. Raises InputError."""
        asked = read_new_key(label, kind, list(scopes), list(origins))
        with writing(self._engine) as connection:
            return self.add(connection, asked)

    def add(self, connection: Connection, asked: NewKey, made_by: str | None = None) -> tuple[str, str]:
        """Make a key as `create` does, in an open transaction. `made_by`: id of the key that requested it."""
        key_id = secrets.token_hex(6)
        row = {
            "id": key_id,
            "kind": asked.kind,
            "label": asked.label,
            "scopes": " ".join(asked.scopes),
            "origins": " ".join(asked.origins),
            "made_by": made_by,
            "created": datetime.now(UTC),
        }
        connection.execute(insert(KEYS).values(row))
        may = row["scopes"] or row["origins"]
        audit.record(connection, made_by, "key_created", key_id, f"{asked.kind}, {may}, for {asked.label}")
        return key_id, self._add_secret(connection, key_id, asked.kind)

    def rotate(self, key_id: str, overlap_hours: float = DEFAULT_OVERLAP_HOURS) -> str:
        """Give a key a new secret; return the key to send from now on.

        Raises UnknownRecordError, KeyRevokedError.
        """
        with writing(self._engine) as connection:
            return self.add_secret(connection, key_id, overlap_hours)

    def add_secret(
        self, connection: Connection, key_id: str, overlap_hours: float, by: str | None = None
    ) -> str:
        """Add a secret as `rotate` does, in an open transaction. Older ones stay valid for `overlap_hours`.

        The key keeps its id, scopes, limits and records, so that old and new secret belong to one caller.
        `by`: id of the key that requested it.
        """
        found = connection.execute(select(KEYS.c.kind, KEYS.c.revoked).where(KEYS.c.id == key_id)).first()
        if found is None:
            raise _unknown(key_id)
        if found.revoked is not None:
            raise KeyRevokedError(f"The key {key_id} was revoked; make another one.")
        until = datetime.now(UTC) + timedelta(hours=overlap_hours)
        longer = or_(SECRETS.c.expires.is_(None), SECRETS.c.expires > until)
        connection.execute(update(SECRETS).where(SECRETS.c.key_id == key_id, longer).values(expires=until))
        detail = f"older secrets stay valid for {overlap_hours:g} hours"
        audit.record(connection, by, "key_rotated", key_id, detail)
        return self._add_secret(connection, key_id, found.kind)

    def _add_secret(self, connection: Connection, key_id: str, kind: str) -> str:
        key = f"{PREFIXES[kind]}_{key_id}_{secrets.token_urlsafe(32)}"
        row = {"digest": self.digest(key), "key_id": key_id, "created": datetime.now(UTC)}
        connection.execute(insert(SECRETS).values(row))
        return key

    def revoke(self, key_id: str, by: str | None = None) -> None:
        """Revoke a key for ever. `by`: id of the key that requested it. Raises UnknownRecordError."""
        with writing(self._engine) as connection:
            if connection.execute(select(KEYS.c.id).where(KEYS.c.id == key_id)).first() is None:
                raise _unknown(key_id)
            still = (KEYS.c.id == key_id) & KEYS.c.revoked.is_(None)
            done = connection.execute(update(KEYS).where(still).values(revoked=datetime.now(UTC)))
            if done.rowcount:
                audit.record(connection, by, "key_revoked", key_id, "for good")

    def entries(self) -> list[KeyEntry]:
        """Return all keys, oldest first."""
        return self._entries()

    def entry(self, key_id: str) -> KeyEntry:
        """Return the key with this id. Raises UnknownRecordError."""
        found = self._entries(key_id)
        if not found:
            raise _unknown(key_id)
        return found[0]

    def _entries(self, key_id: str | None = None) -> list[KeyEntry]:
        keys = select(*_COLUMNS).order_by(KEYS.c.created, KEYS.c.id)
        of_key = select(SECRETS).order_by(SECRETS.c.created, SECRETS.c.digest)
        if key_id is not None:
            keys, of_key = keys.where(KEYS.c.id == key_id), of_key.where(SECRETS.c.key_id == key_id)
        with reading(self._engine) as connection:
            rows, kept = connection.execute(keys).all(), connection.execute(of_key).all()
        by_key: dict[str, list[SecretEntry]] = {}
        for row in kept:
            by_key.setdefault(row.key_id, []).append(SecretEntry(row.created, row.expires, row.used))
        return [KeyEntry(**row._mapping, secrets=tuple(by_key.get(row.id, ()))) for row in rows]

    def digest(self, key: str) -> str:
        """Return the digest of a key as the database stores it, in hexadecimal digits."""
        return hmac.digest(self._secret, key.encode("utf-8", "replace"), "sha256").hex()


def _unknown(key_id: str) -> UnknownRecordError:
    return UnknownRecordError(f"There is no key {key_id[:40]!r}.")
