"""Keys over time: rotated with an overlap, used, and carried over from before keys had several secrets."""

from __future__ import annotations

import hashlib
import hmac
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from asking import SECRET
from sqlalchemy import Engine, text

from service.db.engine import reading
from service.db.migrate import downgrade, upgrade
from service.errors import KeyInvalidError, KeyRevokedError, UnknownRecordError
from service.keys.callers import Callers
from service.keys.records import KeyRing

HOUR = 3600.0


@pytest.fixture
def ring(engine: Engine) -> KeyRing:
    upgrade(engine)
    return KeyRing(engine, SECRET)


@pytest.fixture
def known(engine: Engine, ring: KeyRing) -> Callers:
    return Callers(engine, ring, seconds=300)  # what is cached must expire all the same


class Clock:
    """The wall's clock, set by hand."""

    def __init__(self) -> None:
        self.now = datetime.now(UTC).timestamp()

    def time(self) -> float:
        return self.now

    def monotonic(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    found = Clock()
    monkeypatch.setattr("service.keys.callers.time", found)
    return found


def test_both_secrets_open_until_the_overlap_ends(ring: KeyRing, known: Callers, clock: Clock) -> None:
    key_id, old = ring.create("shop", ["valuations"])
    assert known.caller(old).key_id == key_id
    new = ring.rotate(key_id, 2)
    known.forget()
    clock.now += 2 * HOUR - 60
    assert known.caller(old) == known.caller(new)
    clock.now += 120
    with pytest.raises(KeyInvalidError):
        known.caller(old)
    assert known.caller(new).key_id == key_id


def test_without_an_overlap_the_old_secret_ends_at_once(ring: KeyRing, known: Callers) -> None:
    key_id, old = ring.create("leaked", ["valuations"])
    new = ring.rotate(key_id, 0)
    with pytest.raises(KeyInvalidError):
        known.caller(old)
    assert known.caller(new).key_id == key_id


def test_to_rotate_twice_ends_no_secret_before_its_time(ring: KeyRing, known: Callers, clock: Clock) -> None:
    key_id, first = ring.create("retried", ["valuations"])
    lost = ring.rotate(key_id, 2)
    third = ring.rotate(key_id, 24)  # the answer to the second was lost
    clock.now += HOUR
    assert {known.caller(key).key_id for key in (first, lost, third)} == {key_id}
    clock.now += 2 * HOUR
    with pytest.raises(KeyInvalidError):
        known.caller(first)  # its own two hours, not the twenty-four of the last rotation
    assert known.caller(lost) == known.caller(third)


def test_a_revoked_key_dies_with_all_its_secrets_and_cannot_be_rotated(ring: KeyRing, known: Callers) -> None:
    key_id, old = ring.create("gone", ["valuations"])
    new = ring.rotate(key_id)
    ring.revoke(key_id)
    for key in (old, new):
        with pytest.raises(KeyInvalidError):
            known.caller(key)
    with pytest.raises(KeyRevokedError):
        ring.rotate(key_id)
    with pytest.raises(UnknownRecordError):
        ring.rotate("0" * 12)


def test_last_use_is_written_later_by_secret_and_never_goes_back(
    engine: Engine, ring: KeyRing, known: Callers, clock: Clock
) -> None:
    key_id, old = ring.create("used", ["valuations"])
    known.caller(old)
    assert ring.entry(key_id).used is None  # nothing is written while a request waits
    known.write_uses()
    began = datetime.fromtimestamp(clock.now, UTC)
    assert ring.entry(key_id).used == began
    new, other = ring.rotate(key_id), Callers(engine, ring)
    clock.now += 100
    known.caller(new)
    known.write_uses()
    first, second = ring.entry(key_id).secrets
    assert (first.used, second.used) == (began, began + timedelta(seconds=100))
    clock.now -= 50
    other.caller(new)  # another worker, which comes to write later
    other.write_uses()
    assert ring.entry(key_id).secrets[1].used == began + timedelta(seconds=100)


def test_a_use_is_kept_while_the_database_does_not_answer(
    engine: Engine, ring: KeyRing, known: Callers, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sqlalchemy.exc import OperationalError

    key_id, key = ring.create("patient", ["valuations"])
    known.caller(key)

    def gone(*_: Any) -> None:
        raise OperationalError("", {}, Exception())

    with monkeypatch.context() as patch:
        patch.setattr("service.keys.callers.writing", gone)
        known.write_uses()
    assert ring.entry(key_id).used is None
    known.write_uses()
    assert ring.entry(key_id).used is not None


def test_a_key_made_before_keys_had_several_secrets_still_opens(engine: Engine) -> None:
    upgrade(engine, "0001")
    key = "bmk_0123456789ab_" + "k" * 43
    digest = hmac.new(SECRET.encode(), key.encode(), hashlib.sha256).hexdigest()
    row = {"digest": digest, "created": "2026-01-02 03:04:05+00:00"}
    with engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO api_key (id, label, scopes, digest, created) "
                "VALUES ('0123456789ab', 'old', 'valuations', :digest, :created)"
            ),
            row,
        )
    upgrade(engine)
    ring = KeyRing(engine, SECRET)
    assert Callers(engine, ring).caller(key).scopes == {"valuations"}
    newer = ring.rotate("0123456789ab")
    public, _ = ring.create("form", kind="website", origins=["https://guitars.example"])
    downgrade(engine, "0001")
    with reading(engine) as connection:
        kept = {row.id: row.digest for row in connection.execute(text("SELECT id, digest FROM api_key"))}
        revoked = connection.execute(text("SELECT id FROM api_key WHERE revoked IS NOT NULL")).scalars().all()
    assert kept["0123456789ab"] == hmac.new(SECRET.encode(), newer.encode(), hashlib.sha256).hexdigest()
    assert revoked == [public]  # an older program would take it for a system one
