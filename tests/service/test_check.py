"""`python -m service check`: names what is wrong with an installation."""

from __future__ import annotations

import resource
import shutil
import socket
from collections import namedtuple
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from apps import make_app, parts
from asking import SECRET
from click.testing import CliRunner
from fakes import read_fake
from sqlalchemy import event

from models.bundles import bundle
from service.cli import main
from service.commands.check import _database, findings
from service.db.engine import open_engine
from service.settings import Settings


@pytest.fixture
def settings(store: Path, tmp_path: Path) -> Settings:
    """An installation that lacks nothing but a key."""
    found = Settings(
        store=store, secret=SECRET, database=f"sqlite:///{tmp_path}/b.sqlite3", bind="127.0.0.1:0"
    )
    app = make_app(found.store, found.database)
    parts(app).engine.dispose()
    (tmp_path / "b.sqlite3").chmod(0o600)
    return found


def wrong(settings: Settings) -> dict[str, str]:
    return {found.name: found.text for found in findings(settings, read_fake) if not found.ok}


def test_a_whole_installation_is_in_order_once_it_has_a_key(settings: Settings) -> None:
    assert list(wrong(settings)) == ["keys"] and "keys create" in wrong(settings)["keys"]
    parts(make_app(settings.store, settings.database)).keys.create("first", ["valuations"])
    assert wrong(settings) == {}
    names = [found.name for found in findings(settings, read_fake)]
    assert names == [
        "settings", "secret", "private", "model", "database", "connections", "keys", "disk", "files",
        "address",
    ]  # fmt: skip


def test_each_thing_that_is_wrong_is_named(settings: Settings, tmp_path: Path) -> None:
    bare = Settings(store=tmp_path / "none", secret=SECRET, database=f"sqlite:///{tmp_path}/new.sqlite3")
    assert "promote" in wrong(bare)["model"]
    assert "bookmatch migrate" in wrong(bare)["database"]
    away = Settings(store=settings.store, secret=SECRET, database=f"sqlite:///{tmp_path}/no/folder/b.sqlite3")
    assert "BOOKMATCH_DATABASE" in wrong(away)["database"] and str(tmp_path) not in wrong(away)["database"]


def test_a_secret_that_can_be_guessed_is_named(settings: Settings) -> None:
    assert "guessed" in wrong(replace(settings, secret="abcabcabc" * 8))["secret"]


def test_a_database_that_cannot_be_written_to_is_named(settings: Settings) -> None:
    engine = open_engine(settings.database)
    event.listen(engine, "connect", lambda connection, _: connection.execute("PRAGMA query_only = ON"))
    found = _database(engine)
    engine.dispose()
    assert not found.ok and "cannot be written to" in found.text and "readonly" in found.text


def test_a_disk_that_is_nearly_full_is_named(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: usage(2**40, 0, 99 * 2**20))
    assert "99 MB are free" in wrong(settings)["disk"]


def test_too_few_open_files_and_connections_are_named(
    settings: Settings, monkeypatch: pytest.MonkeyPatch, new_database: Callable[[str], str]
) -> None:
    monkeypatch.setattr(resource, "getrlimit", lambda which: (64, 64))
    assert "ulimit -n" in wrong(settings)["files"]
    address = new_database("postgresql")
    parts(make_app(settings.store, address)).engine.dispose()
    busy = replace(settings, database=address, workers=64, connections=64)
    assert "up to 4160, PostgreSQL allows" in wrong(busy)["connections"]
    assert "connections" not in wrong(replace(busy, workers=2, connections=5))


def test_a_taken_address_is_named(settings: Settings) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        bind = f"127.0.0.1:{taken.getsockname()[1]}"
        found = Settings(store=settings.store, secret=SECRET, database=settings.database, bind=bind)
        assert "running already" in wrong(found)["address"]


def test_the_command_says_it_in_lines_and_by_its_exit_code(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundle, "_reader", lambda: read_fake)
    monkeypatch.setenv("BOOKMATCH_STORE", str(settings.store))
    monkeypatch.setenv("BOOKMATCH_DATABASE", settings.database)
    monkeypatch.setenv("BOOKMATCH_SECRET", SECRET)
    monkeypatch.setenv("BOOKMATCH_BIND", "127.0.0.1:0")
    before = CliRunner().invoke(main, ["check"])
    assert before.exit_code == 1 and "WRONG  keys: none is valid" in before.stdout
    assert CliRunner().invoke(main, ["keys", "create", "first"]).exit_code == 0
    after = CliRunner().invoke(main, ["check"])
    assert all(line.startswith(("ok ", "WRONG")) for line in after.stdout.splitlines())
    assert after.exit_code == 0 and "WRONG" not in after.stdout and "ok     database: sqlite" in after.stdout


def test_a_second_service_does_not_take_half_of_the_requests_of_the_first(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.cli._TRIES", 2)
    monkeypatch.setenv("BOOKMATCH_STORE", str(settings.store))
    monkeypatch.setenv("BOOKMATCH_DATABASE", settings.database)
    monkeypatch.setenv("BOOKMATCH_SECRET", SECRET)
    with socket.socket() as first:
        first.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        first.bind(("127.0.0.1", 0))
        first.listen()
        found = CliRunner().invoke(main, ["serve", "--bind", f"127.0.0.1:{first.getsockname()[1]}"])
    assert found.exit_code == 1
    assert "is the service running already?" in found.stderr and "--bind" in found.stderr
