"""The archive of a backup: whole or refused, its owner's alone; what its values are in JSON; the commands."""

from __future__ import annotations

import json
import os
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from apps import caller_of, parts
from asking import SECRET
from backups import back_up, edit, restored
from click.testing import CliRunner
from flask import Flask
from sqlalchemy import JSON, BigInteger, Column, Engine, Integer, MetaData, Table, Text, insert, select

from models.bundles import bundle
from service.backup import restoring
from service.backup.archive import ArchiveWriter
from service.backup.forms import reader, word_of, written
from service.backup.restoring import restore_backup
from service.cli import main
from service.db.engine import found_revision, open_engine, writing
from service.db.schema import METADATA
from service.errors import ArchiveError

# ── damage ───────────────────────────────────────────────────────────────────


def test_a_damaged_archive_is_refused_before_anything_is_touched(own_app: Flask, tmp_path: Path) -> None:
    caller_of(own_app).value({})
    good = tmp_path / "good.zip"
    back_up(own_app, good)
    data = good.read_bytes()
    bad = tmp_path / "bad.zip"

    def refused(match: str) -> None:
        address, store = f"sqlite:///{tmp_path}/{os.urandom(4).hex()}.sqlite3", tmp_path / "s"
        engine = open_engine(address)
        with pytest.raises(ArchiveError, match=match):
            restore_backup(engine, store, bad, None, progress=False)
        assert found_revision(engine) is None and not store.exists()
        engine.dispose()

    bad.write_bytes(b"text")
    refused("is no backup")
    bad.write_bytes(data[: len(data) // 2])
    refused("is no backup")
    place = data.index(b"tables/valuation.ndjson") + 60
    bad.write_bytes(data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :])
    refused("tables/valuation.ndjson cannot be read")
    for name, change, match in (
        ("tables/valuation.ndjson", lambda text: text.replace(b"USD", b"EUR"), "is not what was written"),
        ("tables/more.ndjson", lambda _: b"[]", "not those that it names"),
        ("manifest.json", lambda manifest: manifest.update(format=2), "is of format 2"),
        ("manifest.json", lambda manifest: manifest.pop("entries"), "no backup, or a damaged one"),
    ):
        bad.write_bytes(data)
        edit(bad, change, name)
        refused(match)


def test_bundles_stand_where_they_belong_or_nowhere(own_app: Flask, tmp_path: Path) -> None:
    back_up(own_app, tmp_path / "b.zip")
    edit(tmp_path / "b.zip", lambda manifest: manifest.update(bundles=["../../away"]))
    with pytest.raises(ArchiveError, match="is no version"):
        restored(f"sqlite:///{tmp_path}/n.sqlite3", tmp_path / "s", tmp_path / "b.zip", None)
    assert not list(tmp_path.rglob("away*"))


# ── the file ─────────────────────────────────────────────────────────────────


def test_a_backup_is_for_its_owner_alone_and_replaces_none(own_app: Flask, tmp_path: Path) -> None:
    path = tmp_path / "b.zip"
    back_up(own_app, path)
    assert path.stat().st_mode & 0o777 == 0o600
    before = path.read_bytes()
    with pytest.raises(ArchiveError, match="is there already"):
        back_up(own_app, path)
    assert path.read_bytes() == before and sorted(tmp_path.glob("*b.zip*")) == [path]


def test_a_backup_that_fails_leaves_no_file(
    own_app: Flask, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(self: ArchiveWriter, about: dict[str, Any]) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ArchiveWriter, "end", fail)
    with pytest.raises(OSError, match="No space"):
        back_up(own_app, tmp_path / "b.zip")
    assert not list(tmp_path.glob("*b.zip*"))


def test_the_commands(own_app: Flask, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bundle, "_reader", lambda: pytest.fail("a backup needs no model"))
    found = parts(own_app).settings
    key = caller_of(own_app)
    key.value({})
    for name, value in (("STORE", str(found.store)), ("DATABASE", found.database), ("SECRET", SECRET)):
        monkeypatch.setenv(f"BOOKMATCH_{name}", value)
    file = str(tmp_path / "b.zip")
    made = CliRunner().invoke(main, ["backup", file])
    assert made.exit_code == 0 and "1 of valuation" in made.stdout
    checked = CliRunner().invoke(main, ["restore", "--check", file])
    assert (checked.exit_code, checked.stdout) == (0, made.stdout)
    again = CliRunner().invoke(main, ["restore", file])
    assert again.exit_code == 1 and "not empty" in again.stderr
    assert CliRunner().invoke(main, ["restore", "--force", file]).exit_code == 0
    monkeypatch.setenv("BOOKMATCH_DATABASE", f"sqlite:///{tmp_path}/new.sqlite3")
    monkeypatch.setenv("BOOKMATCH_STORE", str(tmp_path / "new"))
    assert CliRunner().invoke(main, ["restore", file]).stdout == made.stdout


# ── values ───────────────────────────────────────────────────────────────────


def test_every_column_has_a_form() -> None:
    assert {word_of(column) for table in METADATA.sorted_tables for column in table.columns} <= {
        "moment", "day", "flag", "whole", "number", "bytes", "text",
    }  # fmt: skip
    with pytest.raises(TypeError, match="does not know"):
        word_of(Column("odd", JSON))


def test_values_come_back_as_they_were() -> None:
    moment = datetime(2026, 2, 3, 4, 5, 6, 7, UTC)
    row = [moment, date(2026, 2, 3), True, 2**53, 0.1, b"\x00\xff", "é\u2028\U0001f3b8", None]
    words = ["moment", "day", "flag", "whole", "number", "bytes", "text", "moment"]
    assert reader(words)(json.loads(json.dumps([written(value) for value in row]))) == row


def test_numbers_that_the_database_gives_go_on_after_those_restored(engine: Engine) -> None:
    number = BigInteger().with_variant(Integer, "sqlite")
    table = Table("counted", MetaData(), Column("n", number, primary_key=True), Column("t", Text))
    with writing(engine) as connection:
        table.create(connection)
        connection.execute(insert(table), [{"n": 41, "t": "a"}, {"n": 7, "t": "b"}])
        if engine.dialect.name == "postgresql":
            restoring._wind_on(connection, table)
        connection.execute(insert(table).values(t="c"))
        assert connection.execute(select(table.c.n).where(table.c.t == "c")).scalar() == 42
        connection.execute(table.delete())
        if engine.dialect.name == "postgresql":
            restoring._wind_on(connection, table)  # of no rows: nothing happens
        connection.execute(insert(table).values(t="d"))
