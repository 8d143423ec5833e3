"""Backup and restore: from either database into either, consistent while it serves, whole or not at all."""

from __future__ import annotations

import itertools
import json
import shutil
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, keys_of, make_app, parts
from asking import DAL, SECRET, Caller
from backups import back_up, edit, restored, rows_of
from flask import Flask
from records import record
from sqlalchemy import Engine, Table, select

from models.bundles.registry import Registry
from service.backup import restoring
from service.backup.archive import reading_archive, writing_archive
from service.backup.restoring import restore_backup
from service.db.engine import open_engine, reading
from service.db.migrate import upgrade
from service.db.tables import VALUATIONS
from service.errors import ArchiveError


@pytest.fixture
def app(backend: str, new_database: NewDatabase, store: Path) -> Iterator[Flask]:
    """An application of its own, on SQLite and on PostgreSQL."""
    found = make_app(store, new_database(backend), key_seconds=0)
    yield found
    parts(found).engine.dispose()


# ── there and back ───────────────────────────────────────────────────────────


@pytest.mark.parametrize("target", ["sqlite", "postgresql"])
def test_what_is_restored_answers_as_before(
    app: Flask, target: str, new_database: NewDatabase, tmp_path: Path
) -> None:
    caller = caller_of(app, "valuations", "evidence")
    first = record(caller)
    assert first.status_code == 201
    caller.ask("DELETE", first.headers["Location"])
    revoked_id, revoked = keys_of(app).create("a lost laptop’s", ["valuations"])
    keys_of(app).revoke(revoked_id)
    once = {"Idempotency-Key": "one"}
    made = [caller.value({"serial": f"Q-{number}", "finish": "Tarn – “old”"}) for number in range(20)]
    made.append(caller.post("/v1/valuations", DAL, **once))
    about = back_up(app, tmp_path / "b.zip")
    assert about["bundles"] == [parts(app).live.version] and about["bundles_gone"] == []
    address, store = new_database(target), tmp_path / "elsewhere"
    restored(address, store, tmp_path / "b.zip")
    other = make_app(store, address)
    assert rows_of(parts(other).engine) == rows_of(parts(app).engine)
    again = Caller(other, caller.key)
    for one in made:
        assert one.status_code == 201 and again.get(one.headers["Location"]).data == one.data
    assert again.post("/v1/valuations", DAL, **once).data == made[-1].data
    assert again.post("/v1/attributions", DAL).data == caller.post("/v1/attributions", DAL).data
    assert Caller(other, revoked).get("/v1/vocabulary").status_code == 401
    assert again.get(f"{first.headers['Location']}/history").json["changes"][1]["action"] == "withdrawn"
    assert again.value({}).status_code == 201  # and it goes on
    assert record(again, id="S-2").status_code == 201
    first, second = Registry(parts(app).settings.store), Registry(store)
    assert (second.current(), second.history()) == (first.current(), first.history())
    parts(other).engine.dispose()


def test_an_older_backup_is_migrated_on_its_way(
    engine: Engine, backend: str, new_database: NewDatabase, tmp_path: Path, store: Path
) -> None:
    upgrade(engine, "0001")
    columns = {"id": "text", "label": "text", "scopes": "text", "digest": "text"}
    moments = {"created": "moment", "revoked": "moment"}
    row = ["00ff00ff00ff", "old", "valuations", "d" * 64, "2026-01-02T03:04:05.678901+00:00", None]
    said = [{"name": name, "holds": holds} for name, holds in (columns | moments).items()]
    with writing_archive(tmp_path / "old.zip", SECRET) as archive:
        archive.add("tables/api_key.ndjson", [json.dumps(row).encode() + b"\n"])
        archive.add("tables/valuation.ndjson", [])
        archive.add("tables/idempotency_claim.ndjson", [])
        tables = [{"name": "api_key", "columns": said, "rows": 1}]
        tables += [{"name": n, "columns": [], "rows": 0} for n in ("valuation", "idempotency_claim")]
        archive.end({"revision": "0001", "tables": tables, "bundles": [], "made": ""})
    for address in (new_database(backend), engine.url.render_as_string(hide_password=False)):
        restored(address, store, tmp_path / "old.zip")
        again = open_engine(address)
        found = rows_of(again)["api_key"]
        again.dispose()
        assert len(found) == 1 and {"00ff00ff00ff", datetime(2026, 1, 2, 3, 4, 5, 678901, UTC)} <= {*found[0]}


def test_a_backup_of_a_newer_program_is_refused(app: Flask, tmp_path: Path) -> None:
    caller_of(app)
    back_up(app, tmp_path / "b.zip")
    edit(tmp_path / "b.zip", lambda manifest: manifest.update(revision="9999"))
    before = rows_of(parts(app).engine)
    with pytest.raises(ArchiveError, match="newer program"):
        restore_backup(
            parts(app).engine, tmp_path / "s", tmp_path / "b.zip", None, force=True, progress=False
        )
    assert rows_of(parts(app).engine) == before


# ── while it serves ──────────────────────────────────────────────────────────


class Writer(threading.Thread):
    """Makes valuations one after the other, each under an Idempotency-Key; knows what it was answered."""

    def __init__(self, app: Flask, stop: threading.Event) -> None:
        super().__init__()
        self._caller, self._stop_it, self.ids = caller_of(app), stop, list[str]()
        self.failure: BaseException | None = None

    def run(self) -> None:
        try:
            for number in itertools.count():
                key = {"Idempotency-Key": f"{self.name}-{number}"}
                self.ids.append(self._caller.post("/v1/valuations", DAL, **key).json["id"])
                if self._stop_it.is_set():
                    return
        except BaseException as error:
            self.failure = error


def test_a_backup_under_writes_is_a_prefix_of_them(app: Flask, tmp_path: Path) -> None:
    stop = threading.Event()
    writers = [Writer(app, stop) for _ in range(3)]
    for writer in writers:
        writer.start()
    answered: list[list[str]] = []
    while min(len(writer.ids) for writer in writers) < 30:
        assert all(writer.failure is None for writer in writers)
    for number in range(4):
        answered.append([id_ for writer in writers for id_ in list(writer.ids)])
        back_up(app, tmp_path / f"{number}.zip")
    stop.set()
    for writer in writers:
        writer.join()
        assert writer.failure is None
    sizes = []
    for number, before in enumerate(answered):
        kept, claimed = kept_in(tmp_path / f"{number}.zip")
        assert set(kept) == claimed  # a claim and what was made under it: both or neither
        assert set(before) <= set(kept)
        for writer in writers:
            mine = [id_ for id_ in writer.ids if id_ in set(kept)]
            assert mine == writer.ids[: len(mine)]
        sizes.append(len(kept))
    assert sizes == sorted(sizes) and sizes[-1] < sum(len(writer.ids) for writer in writers) + 1


def kept_in(path: Path) -> tuple[list[str], set[str]]:
    """The ids of the valuations in an archive, and those that its claims name."""
    with reading_archive(path, SECRET) as archive:
        columns = {
            table["name"]: [column["name"] for column in table["columns"]]
            for table in archive.manifest["tables"]
        }

        def column(table: str, name: str) -> list[str]:
            lines = archive.read(f"tables/{table}.ndjson").splitlines()
            return [json.loads(line)[columns[table].index(name)] for line in lines]

        return column("valuation", "id"), set(column("idempotency_claim", "record_id"))


# ── what is there already ────────────────────────────────────────────────────


def test_what_is_there_is_replaced_only_by_force(app: Flask, tmp_path: Path) -> None:
    caller = caller_of(app)
    first = caller.value({})
    back_up(app, tmp_path / "b.zip")
    second = caller.value({})
    before, found = rows_of(parts(app).engine), parts(app)
    with pytest.raises(ArchiveError, match=r"not empty \(.*valuation.*--force"):
        restore_backup(found.engine, found.settings.store, tmp_path / "b.zip", SECRET, progress=False)
    assert rows_of(found.engine) == before
    restore_backup(found.engine, found.settings.store, tmp_path / "b.zip", None, force=True, progress=False)
    assert caller.get(first.headers["Location"]).data == first.data
    assert caller.get(second.headers["Location"]).status_code == 404


def test_a_restore_that_fails_half_way_leaves_what_was_there(
    app: Flask, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    caller_of(app).value({})
    back_up(app, tmp_path / "b.zip")
    before, real = rows_of(parts(app).engine), restoring._fill_table

    def fail(connection: Any, table: Table, *rest: Any) -> None:
        real(connection, table, *rest)
        if table.name == "valuation":
            raise OSError("the disk of the archive is gone")

    monkeypatch.setattr(restoring, "_fill_table", fail)
    with pytest.raises(OSError, match="gone"):
        restore_backup(
            parts(app).engine, tmp_path / "s", tmp_path / "b.zip", None, force=True, progress=False
        )
    assert rows_of(parts(app).engine) == before


def test_a_bundle_that_is_gone_is_named_and_no_reason_for_no_backup(own_app: Flask, tmp_path: Path) -> None:
    caller = caller_of(own_app)
    made = caller.value({})
    version = made.json["model_version"]
    shutil.rmtree(parts(own_app).settings.store / "bundles" / version)
    about = back_up(own_app, tmp_path / "b.zip")
    assert (about["bundles"], about["bundles_gone"]) == ([], [version])
    restored(f"sqlite:///{tmp_path}/new.sqlite3", tmp_path / "s", tmp_path / "b.zip")
    engine = open_engine(f"sqlite:///{tmp_path}/new.sqlite3")
    with reading(engine) as connection:
        assert connection.execute(select(VALUATIONS.c.answer)).scalar() == made.text
    engine.dispose()
