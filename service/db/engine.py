"""The one way to open the database, and its transactions."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import make_url

from service.errors import StoreError

# The revision that this program's tables are at; a test holds it against the newest migration.
REVISION = "0004"


def open_engine(address: str, *, busy_seconds: float = 5.0, threads: int = 4) -> Engine:
    """An engine for this address, not yet connected. No thread waits for another's connection."""
    url = make_url(address)
    if url.drivername in ("postgres", "postgresql"):
        url = url.set(drivername="postgresql+psycopg")
    shared: dict[str, Any] = {"hide_parameters": True, "pool_size": threads + 1, "pool_timeout": busy_seconds}
    if url.get_backend_name() != "sqlite":
        wait = round(busy_seconds * 1000)
        # Of a host that is gone without a word, TCP would tell in a quarter of an hour.
        lost = {
            "tcp_user_timeout": wait,
            "keepalives_idle": 5,
            "keepalives_interval": 2,
            "keepalives_count": 3,
        }
        options = f"-c lock_timeout={wait}"
        connect = {"connect_timeout": max(1, round(busy_seconds)), "options": options, **lost}
        return create_engine(url, pool_pre_ping=True, connect_args=connect, **shared)
    engine = create_engine(url, connect_args={"timeout": busy_seconds}, **shared)
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: Any, record: Any) -> None:
    connection.isolation_level = None  # the driver must not begin by itself: `_begin_sqlite` does
    cursor = connection.cursor()
    # WAL: readers and the writer do not wait for each other. NORMAL loses nothing when a process is killed.
    for pragma in ("journal_mode=WAL", "synchronous=NORMAL", "foreign_keys=ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    # A writer that begins as a reader can fail half way, however long it waits.
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def folder_of(engine: Engine) -> Path | None:
    """Give the folder of an SQLite database; None for PostgreSQL, which keeps its own."""
    if engine.dialect.name != "sqlite" or not engine.url.database:
        return None
    return Path(engine.url.database).absolute().parent


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One transaction that only reads."""
    with engine.connect() as connection, connection.begin():
        yield connection


@contextmanager
def snapshot(engine: Engine) -> Iterator[Connection]:
    """One transaction that reads everything as of one moment, however long it takes and whoever writes."""
    with engine.connect() as connection:
        if engine.dialect.name == "postgresql":  # SQLite's readers see one moment in any case
            connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        with connection.begin():
            yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction that writes: all of it is kept when the block ends, or nothing."""
    with engine.connect() as connection, connection.execution_options(writes=True).begin():
        yield connection


def check_revision(engine: Engine) -> None:
    """Raises StoreError if the tables are not those of this program."""
    found = found_revision(engine)
    if found != REVISION:
        state = f"is at revision {found}" if found else "has no tables yet"
        raise StoreError(f"the database {state}; this needs {REVISION}: run bookmatch migrate")


def found_revision(engine: Engine) -> str | None:
    """The revision that the database is at; None if it was never migrated."""
    with reading(engine) as connection:
        if not engine.dialect.has_table(connection, "alembic_version"):
            return None
        revision: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        return revision
