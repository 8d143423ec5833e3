"""Open the service's database, its transactions for reading and writing, and check its revision."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, text
from sqlalchemy.engine import make_url

from service.errors import StoreError

# The revision of this program's tables; a test compares it with the newest migration.
REVISION = "0012"


def open_engine(
    address: str,
    *,
    busy_seconds: float = 5.0,
    connections: int = 5,
    statement_seconds: float | None = None,
) -> Engine:
    """Make an engine for this address, not yet connected, with so many connections.

    `statement_seconds`: the longest time that PostgreSQL may take over a statement; the engine then also
    notices within a second that the server stopped to answer. None: statements may take as long as they do.
    """
    url = make_url(address)
    if url.drivername in ("postgres", "postgresql"):
        url = url.set(drivername="postgresql+psycopg")
    shared: dict[str, Any] = {
        "hide_parameters": True,
        "pool_size": connections,
        "max_overflow": 0,
        "pool_timeout": busy_seconds,
    }
    if url.get_backend_name() != "sqlite":
        return _open_postgresql(url, busy_seconds, statement_seconds, shared)
    engine = create_engine(url, connect_args={"timeout": busy_seconds}, **shared)
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _open_postgresql(url: URL, busy_seconds: float, statement_seconds: float | None, shared: Any) -> Engine:
    from service.db.postgresql import bound  # it loads psycopg, which SQLite does without

    wait = round(busy_seconds * 1000)
    connect = {
        "connect_timeout": 2,
        "options": f"-c lock_timeout={wait}",
        # Without these, TCP would report a host that vanished only after a quarter of an hour.
        "tcp_user_timeout": wait,
        "keepalives_idle": 5,
        "keepalives_interval": 2,
        "keepalives_count": 3,
    }
    engine = create_engine(url, pool_pre_ping=True, connect_args=connect, **shared)
    if statement_seconds is not None:
        bound(engine, connect, statement_seconds)
    return engine


def _prepare_sqlite(connection: Any, record: Any) -> None:
    connection.isolation_level = None  # the driver must not begin transactions: `_begin_sqlite` does
    cursor = connection.cursor()
    # With WAL, readers and writer do not wait for each other. NORMAL loses nothing if a process is killed.
    # What is deleted is written over with zeros, so that nothing of an erased person stays in the file.
    for pragma in ("journal_mode=WAL", "synchronous=NORMAL", "foreign_keys=ON", "secure_delete=ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    # A transaction that begins by reading can fail at its first write, so a writer takes the lock at once.
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def folder_of(engine: Engine) -> Path | None:
    """Return the folder of an SQLite database's file; None for PostgreSQL or a database in memory."""
    if engine.dialect.name != "sqlite" or not engine.url.database:
        return None
    return Path(engine.url.database).absolute().parent


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Open a transaction that only reads."""
    with engine.connect() as connection, connection.begin():
        yield connection


@contextmanager
def snapshot(engine: Engine) -> Iterator[Connection]:
    """Open a transaction that reads everything as of one moment, whatever is written meanwhile."""
    with engine.connect() as connection:
        if engine.dialect.name == "postgresql":  # SQLite's transactions do so in any case
            connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        with connection.begin():
            yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """Open a transaction that writes; it is committed when the block ends, or rolled back by an error."""
    with engine.connect() as connection, connection.execution_options(writes=True).begin():
        yield connection


def truncate_log(engine: Engine) -> bool:
    """Empty SQLite's write-ahead log, which holds what was deleted until then; say whether that was done.

    PostgreSQL needs nothing of that kind here: its VACUUM removes what was deleted.
    """
    if engine.dialect.name != "sqlite":
        return True
    with engine.connect() as connection:
        pooled = connection.connection.cursor()  # without a transaction, in which nothing is emptied
        busy = pooled.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        pooled.close()
    return not busy


def check_revision(engine: Engine) -> None:
    """Raise StoreError if the database is not at this program's revision."""
    found = found_revision(engine)
    if found != REVISION:
        state = f"is at revision {found}" if found else "has no tables yet"
        raise StoreError(f"the database {state}; this needs {REVISION}: run bookmatch migrate")


def found_revision(engine: Engine) -> str | None:
    """Return the database's revision; None if it was never migrated."""
    with reading(engine) as connection:
        if not engine.dialect.has_table(connection, "alembic_version"):
            return None
        revision: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        return revision
