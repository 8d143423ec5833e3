"""A backup holds the photographs that lie in a folder, and a restore puts them back."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from apps import NewDatabase, make_app, parts
from asking import SECRET, Caller
from backups import edit
from owners import asked_of
from pictures import JPEG, jpeg

from service.backup.making import make_backup
from service.backup.restoring import restore_backup
from service.db.engine import open_engine
from service.errors import ArchiveError


def test_photographs_come_back_on_either_database(
    store: Path, tmp_path: Path, new_database: NewDatabase, backend: str
) -> None:
    app = make_app(store, new_database("sqlite"), files=str(tmp_path / "files"))
    asked = asked_of(app)
    made = asked.owner.post(f"{asked.photographs}?view=back", jpeg(), **{"Content-Type": JPEG}).json
    picture = asked.owner.get(f"{asked.photographs}/{made['id']}.jpg").data
    archive, context = tmp_path / "a.backup", parts(app)
    about = make_backup(context.engine, store, archive, SECRET, blobs=context.blobs, progress=False)
    context.engine.dispose()
    assert about["files"] == 2

    new = make_app(store, new_database(backend), files=str(tmp_path / "restored"))
    there = parts(new)
    restore_backup(there.engine, store, archive, SECRET, blobs=there.blobs, progress=False)
    assert Caller(new, asked.owner.key).get(f"{asked.photographs}/{made['id']}.jpg").data == picture
    there.engine.dispose()


def test_a_damaged_photograph_in_a_backup_is_noticed(
    store: Path, tmp_path: Path, new_database: NewDatabase
) -> None:
    app = make_app(store, new_database("sqlite"), files=str(tmp_path / "files"))
    context = parts(app)
    context.blobs.put("photographs/ab/abc.jpg", b"content")
    archive = tmp_path / "a.backup"
    make_backup(context.engine, store, archive, SECRET, blobs=context.blobs, progress=False)
    edit(archive, lambda content: content + b"!", "files/photographs/ab/abc.jpg")
    with pytest.raises(ArchiveError, match=r"abc\.jpg is not what was written"):
        restore_backup(context.engine, store, archive, SECRET, blobs=context.blobs, progress=False)
    context.engine.dispose()


def test_a_forged_name_leads_nowhere(store: Path, tmp_path: Path, new_database: NewDatabase) -> None:
    app = make_app(store, new_database("sqlite"), files=str(tmp_path / "files"))
    context = parts(app)
    context.blobs.put("photographs/ab/abc.jpg", b"content")
    archive, good, bad = tmp_path / "a.backup", "files/photographs/ab/abc.jpg", "files/../../outside.jpg"
    make_backup(context.engine, store, archive, SECRET, blobs=context.blobs, progress=False)
    context.engine.dispose()
    _rename(archive, good, bad)
    engine = open_engine(new_database("sqlite"))
    with pytest.raises(ArchiveError, match="outside"):
        restore_backup(engine, store, archive, None, blobs=context.blobs, progress=False)
    engine.dispose()
    assert not list(tmp_path.parent.rglob("outside.jpg"))


def _rename(archive: Path, good: str, bad: str) -> None:
    with zipfile.ZipFile(archive) as packed:
        entries = {name: packed.read(name) for name in packed.namelist()}
    with zipfile.ZipFile(archive, "w") as packed:
        for name, content in entries.items():
            text = content.replace(good.encode(), bad.encode()) if name == "manifest.json" else content
            packed.writestr(bad if name == good else name, text)
