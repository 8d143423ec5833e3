"""Applications on SQLite and on a real PostgreSQL, serving the fake model."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from asking import SECRET, Caller
from fakes import read_fake, write_fake
from flask import Flask
from sqlalchemy import Engine, delete

from models.bundles.registry import Registry
from service.app import create_app
from service.context import Context
from service.db.engine import open_engine, writing
from service.db.migrate import upgrade
from service.db.tables import CHANGES, EVIDENCE, OUTCOMES
from service.keys.records import KeyRing
from service.settings import Settings

# All tests of one application ask from one address. They are counted all the same.
UNLIMITED = {f"limit_{name}": 2**31 for name in ("system", "website", "visitor", "address")}
NewDatabase = Callable[[str], str]


@pytest.fixture(scope="session")
def fake_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one promoted fake; not to be written to."""
    store = tmp_path_factory.mktemp("fake") / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    return store


@pytest.fixture
def store(fake_store: Path, tmp_path: Path) -> Path:
    """A copy of it, to be written to."""
    return Path(shutil.copytree(fake_store, tmp_path / "store"))


def make_app(store: Path, database: str, **settings: Any) -> Flask:
    """An application on a migrated database; without limits, unless they are set."""
    found = Settings(store=store, secret=SECRET, database=database, **{**UNLIMITED, **settings})
    engine = open_engine(found.database)
    upgrade(engine)
    engine.dispose()
    return create_app(found, read_model=read_fake)


def parts(app: Flask) -> Context:
    """What the factory put together."""
    found: Context = app.extensions["bookmatch"]
    return found


def keys_of(app: Flask) -> KeyRing:
    return parts(app).keys


def caller_of(app: Flask, *scopes: str) -> Caller:
    """A caller with a new key of these scopes; valuations, if none are named."""
    return Caller(app, keys_of(app).create("tests", scopes or ("valuations",))[1])


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


def without_evidence(app: Flask) -> None:
    with writing(parts(app).engine) as connection:
        for table in (OUTCOMES, CHANGES, EVIDENCE):
            connection.execute(delete(table))


@pytest.fixture
def dealer(evidence_app: Flask) -> Caller:
    """Asks it, and may send evidence."""
    return caller_of(evidence_app, "evidence")
