"""Applications on SQLite and on a real PostgreSQL, serving the fake model."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from apps import NewDatabase, caller_of, make_app, parts, without_evidence
from argon2 import PasswordHasher
from asking import Caller
from desks import Somebody, somebody
from fakes import write_fake
from flask import Flask
from migrated import migrated
from sqlalchemy import Engine, delete
from webhook_ground import Ground, Receiver, receiving

from models.bundles.registry import Registry
from service.db.engine import open_engine, writing
from service.db.request_tables import DESK_SESSIONS, DESK_USERS, SPECIALIST
from service.desk.users import passwords

_ADDRESSES = count(1)


@pytest.fixture(scope="session")
def fake_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one promoted fake; not to be written to."""
    store = tmp_path_factory.mktemp("fake") / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    return store


@pytest.fixture(scope="session")
def shipped_passwords() -> tuple[PasswordHasher, str]:
    """The hasher of passwords as it is shipped, and a hash that it made of one that nobody has."""
    return passwords._HASHER, passwords._NOBODY


@pytest.fixture(scope="session", autouse=True)
def _quick_passwords(shipped_passwords: tuple[PasswordHasher, str]) -> Iterator[None]:
    """Make and check passwords at a hundredth of the cost, for tests sign in hundreds of times."""
    quick = PasswordHasher(time_cost=1, memory_cost=1024, parallelism=1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_HASHER", quick)
        patch.setattr(passwords, "_NOBODY", quick.hash("a password nobody knows"))
        yield


@pytest.fixture
def slow_passwords(shipped_passwords: tuple[PasswordHasher, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """For tests of how passwords are kept: ask for it before the user."""
    for name, shipped in zip(("_HASHER", "_NOBODY"), shipped_passwords, strict=True):
        monkeypatch.setattr(passwords, name, shipped)


@pytest.fixture
def store(fake_store: Path, tmp_path: Path) -> Path:
    """A copy of it, to be written to."""
    return Path(shutil.copytree(fake_store, tmp_path / "store"))


@pytest.fixture(scope="session")
def shared_app(backend: str, new_database: NewDatabase, fake_store: Path) -> Iterator[Flask]:
    """One application for all tests that change nothing but add records."""
    app = make_app(fake_store, new_database(backend))
    yield app
    parts(app).engine.dispose()


@pytest.fixture(scope="session")
def caller(shared_app: Flask) -> Caller:
    """Asks the shared application, on SQLite and on PostgreSQL."""
    return caller_of(shared_app)


@pytest.fixture
def engine(backend: str, new_database: NewDatabase) -> Iterator[Engine]:
    """An engine on an empty database."""
    engine = open_engine(new_database(backend))
    yield engine
    engine.dispose()


@pytest.fixture
def own_app(store: Path, new_database: NewDatabase) -> Iterator[Flask]:
    """An application on SQLite with a store and a database of its own."""
    app = make_app(store, new_database("sqlite"), key_seconds=0)
    yield app
    parts(app).engine.dispose()


@pytest.fixture
def evidence_app(shared_app: Flask) -> Flask:
    """The shared application, without evidence and outcomes."""
    without_evidence(shared_app)
    return shared_app


@pytest.fixture
def dealer(evidence_app: Flask) -> Caller:
    """Asks it, and may send evidence."""
    return caller_of(evidence_app, "evidence")


@pytest.fixture
def desk_app(backend: str, new_database: NewDatabase, fake_store: Path) -> Iterator[Flask]:
    """An application with a database of its own, for tests that change who may sign in."""
    app = make_app(fake_store, new_database(backend))
    yield app
    parts(app).engine.dispose()


@pytest.fixture
def ann(desk_app: Flask) -> Somebody:
    """A user of its desk, not signed in."""
    return somebody(desk_app)


@pytest.fixture
def signed_in(shared_app: Flask) -> Somebody:
    """A user of the shared application's desk, signed in from a network of its own."""
    with writing(parts(shared_app).engine) as connection:
        for table in (DESK_SESSIONS, DESK_USERS, SPECIALIST):
            connection.execute(delete(table))
    found = somebody(shared_app)
    found.client.environ_base["REMOTE_ADDR"] = f"198.51.100.{next(_ADDRESSES)}"
    assert found.sign_in().status_code == 303
    return found


@pytest.fixture
def stock_app(store: Path, backend: str, new_database: NewDatabase) -> Iterator[Flask]:
    """An application on a store and a database of its own, whose revaluations run when a test says so."""
    app = make_app(store, new_database(backend))
    yield app
    parts(app).engine.dispose()


@pytest.fixture(scope="module")
def engine_of_webhooks(backend: str, new_database: NewDatabase) -> Iterator[Engine]:
    engine = migrated(new_database(backend))
    yield engine
    engine.dispose()


@pytest.fixture
def ground(engine_of_webhooks: Engine) -> Ground:
    return Ground(engine_of_webhooks)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as found:
        yield found
