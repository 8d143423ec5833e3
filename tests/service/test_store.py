"""The database: migrations up and down without drift, moments in UTC, writers that wait for one another."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import psycopg
import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, insert, inspect, select, text
from sqlalchemy.exc import OperationalError, StatementError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from service.db.engine import (
    REVISION,
    check_revision,
    found_revision,
    open_engine,
    reading,
    writing,
)
from service.db.migrate import check, configured, downgrade, upgrade
from service.db.postgresql import BoundedConnection
from service.db.schema import METADATA
from service.db.tables import KEYS, VALUATIONS
from service.errors import StoreError

KEY = {
    "id": "k",
    "label": "l",
    "scopes": "valuations",
    "created": datetime(2026, 1, 1, tzinfo=UTC),
}


def test_migrations_make_the_tables_of_the_program_and_nothing_else(engine: Engine) -> None:
    assert found_revision(engine) is None
    with pytest.raises(StoreError, match="bookmatch migrate"):
        check_revision(engine)
    upgrade(engine)
    check(engine)  # raises where tables and migrations differ
    check_revision(engine)
    assert set(inspect(engine).get_table_names()) == {*METADATA.tables, "alembic_version"}


def test_migrations_go_down_and_up_again(engine: Engine) -> None:
    upgrade(engine)
    downgrade(engine, "base")
    assert set(inspect(engine).get_table_names()) == {"alembic_version"}
    assert found_revision(engine) is None
    upgrade(engine)
    upgrade(engine)  # once more: nothing happens
    check(engine)


def test_the_revision_that_the_program_names_is_the_newest(engine: Engine) -> None:
    assert ScriptDirectory.from_config(configured(engine)).get_heads() == [REVISION]


def test_drift_is_noticed(engine: Engine) -> None:
    upgrade(engine)
    with writing(engine) as connection:
        connection.execute(text("ALTER TABLE valuation ADD COLUMN forgotten INTEGER"))
    with pytest.raises(Exception, match="New upgrade operations detected"):
        check(engine)


def test_every_constraint_has_a_name(engine: Engine) -> None:
    upgrade(engine)
    found = inspect(engine)
    for table in METADATA.tables:
        assert found.get_pk_constraint(table)["name"] == f"pk_{table}"
        for key in found.get_foreign_keys(table):
            (column,), referred = key["constrained_columns"], key["referred_table"]
            assert key["name"] == f"fk_{table}_{column}_{referred}"


def test_moments_come_back_in_utc(engine: Engine) -> None:
    upgrade(engine)
    east = datetime(2026, 5, 1, 1, 30, 0, 123456, timezone(timedelta(hours=2)))
    with writing(engine) as connection:
        connection.execute(insert(KEYS).values({**KEY, "created": east}))
    with reading(engine) as connection:
        back = connection.execute(select(KEYS.c.created, KEYS.c.revoked)).one()
    assert tuple(back) == (datetime(2026, 4, 30, 23, 30, 0, 123456, UTC), None)
    assert back.created.utcoffset() == timedelta(0)
    with pytest.raises(StatementError, match="needs a zone"), writing(engine) as connection:
        connection.execute(insert(KEYS).values({**KEY, "id": "n", "created": datetime(2026, 5, 1)}))


def test_a_valuation_needs_a_key_that_is_there(engine: Engine) -> None:
    upgrade(engine)
    row = {
        "id": "v",
        "key_id": "nobody",
        "created": KEY["created"],
        "model_version": "1",
        "answer": "",
    }
    with pytest.raises(Exception, match=r"(?i)foreign key"), writing(engine) as connection:
        connection.execute(insert(VALUATIONS).values(row))


def test_what_fails_is_not_half_written(engine: Engine) -> None:
    upgrade(engine)
    with suppress(ZeroDivisionError), writing(engine) as connection:
        connection.execute(insert(KEYS).values(KEY))
        raise ZeroDivisionError
    with reading(engine) as connection:
        assert connection.execute(select(KEYS.c.id)).all() == []


def test_many_writers_wait_for_one_another(engine: Engine) -> None:
    upgrade(engine)
    failures: list[BaseException] = []

    def write(number: int) -> None:
        try:
            for round_ in range(10):
                with writing(engine) as connection:
                    connection.execute(
                        select(KEYS.c.id)
                    ).all()  # first reads: a deferred writer would fail here
                    connection.execute(insert(KEYS).values({**KEY, "id": f"{number}-{round_}"}))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(number,)) for number in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with reading(engine) as connection:
        assert len(connection.execute(select(KEYS.c.id)).all()) == 50


def test_no_statement_takes_longer_than_it_may(new_database: Callable[[str], str]) -> None:
    connection = BoundedConnection.connect(new_database("postgresql"))
    connection.seconds = 0.3
    began = time.monotonic()
    with pytest.raises(psycopg.OperationalError, match="does not answer"):
        connection.execute("SELECT pg_sleep(20)")
    assert time.monotonic() - began < 10 and connection.closed


def test_an_engine_opens_no_more_connections_than_it_may(tmp_path: Path) -> None:
    engine = open_engine(f"sqlite:///{tmp_path}/b.sqlite3", busy_seconds=0.1, connections=2)
    with engine.connect(), engine.connect(), pytest.raises(PoolTimeoutError):
        engine.connect()
    engine.dispose()


def test_sqlite_is_in_wal_and_waits_for_a_busy_database(tmp_path: Path) -> None:
    address = f"sqlite:///{tmp_path}/b.sqlite3"
    engine = open_engine(address, busy_seconds=0.3)
    upgrade(engine)
    with reading(engine) as connection:
        found = [
            connection.execute(text(f"PRAGMA {name}")).scalar() for name in ("journal_mode", "synchronous")
        ]
    assert found == ["wal", 1]
    other = sqlite3.connect(tmp_path / "b.sqlite3", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with reading(engine) as connection:  # readers do not wait
        assert connection.execute(select(KEYS.c.id)).all() == []
    began = time.monotonic()
    with pytest.raises(OperationalError, match="locked"), writing(engine):
        pytest.fail("a writer began beside another")
    assert 0.25 < time.monotonic() - began < 5
    other.execute("COMMIT")
    other.close()
    with writing(engine) as connection:
        connection.execute(insert(KEYS).values(KEY))
    engine.dispose()


def test_an_address_of_postgresql_is_taken_in_its_short_forms() -> None:
    for address in ("postgresql://u@h/n", "postgres://u@h/n", "postgresql+psycopg://u@h/n"):
        assert open_engine(address).url.drivername == "postgresql+psycopg"
