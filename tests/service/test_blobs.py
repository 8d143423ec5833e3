"""Files in a folder, and in an S3-compatible store, for which a process with the server of moto stands in."""

from __future__ import annotations

import os
import stat
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from apps import NewDatabase, make_app, parts
from asking import SECRET, assert_problem
from object_store import S3_KEY, object_store
from owners import asked_of
from pictures import JPEG, jpeg

from service.blobs.store import Blobs, folder_of
from service.commands.safety import exposures
from service.errors import FilesError, NoRoomError
from service.settings import Settings

KEY = "photographs/ab/abc.jpg"
S3 = {"files": "s3://pictures/of/owners", **S3_KEY}


def settings_of(tmp_path: Path, **more: str) -> Settings:
    database = f"sqlite:///{tmp_path / 'service.db'}"
    return Settings(store=tmp_path, secret=SECRET, **{"database": database, **more})


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    """The address of moto's server, with a bucket."""
    with object_store("pictures") as url:
        yield url


@pytest.fixture(params=["folder", "S3"])
def blobs(request: pytest.FixtureRequest, tmp_path: Path) -> Blobs:
    if request.param == "folder":
        return Blobs(settings_of(tmp_path))
    return Blobs(settings_of(tmp_path, **S3, files_endpoint=request.getfixturevalue("endpoint")))


def test_a_file_is_written_read_and_deleted(blobs: Blobs) -> None:
    assert blobs.get(KEY) is None and not blobs.exists(KEY)
    blobs.put(KEY, b"content")
    blobs.put(KEY, b"content")
    assert blobs.get(KEY) == b"content" and blobs.exists(KEY)
    blobs.put("photographs/cd/empty.jpg", b"")
    assert blobs.get("photographs/cd/empty.jpg") == b""
    assert sorted(blobs.keys("photographs")) == [KEY, "photographs/cd/empty.jpg"]
    assert list(blobs.keys("reports")) == []
    for key in (KEY, KEY, "photographs/cd/empty.jpg"):
        blobs.delete(key)
    assert blobs.get(KEY) is None and list(blobs.keys("photographs")) == []


def test_files_are_listed_by_age(blobs: Blobs) -> None:
    blobs.put(KEY, b"content")
    now = datetime.now(UTC)
    assert list(blobs.keys("photographs", now - timedelta(minutes=5))) == []
    assert list(blobs.keys("photographs", now + timedelta(minutes=5))) == [KEY]
    blobs.delete(KEY)


@pytest.mark.parametrize("key", ["../outside.jpg", "photographs/../../outside.jpg", "photographs//x"])
def test_no_key_leads_outside(blobs: Blobs, tmp_path: Path, key: str) -> None:
    with pytest.raises(ValueError):
        blobs.put(key, b"content")
    assert not list(tmp_path.rglob("outside*"))


def test_the_folder_is_beside_the_database_and_the_owners_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert folder_of(settings_of(tmp_path)) == tmp_path / "files"
    assert folder_of(settings_of(tmp_path, files=str(tmp_path / "else"))) == tmp_path / "else"
    assert folder_of(settings_of(tmp_path, **S3)) is None
    monkeypatch.chdir(tmp_path)
    assert folder_of(settings_of(tmp_path, database="postgresql://x/y")) == tmp_path / "files"
    found = settings_of(tmp_path)
    before = os.umask(0o077)
    try:
        Blobs(found).put(KEY, b"content")
    finally:
        os.umask(before)
    modes = {stat.S_IMODE(path.stat().st_mode) for path in (tmp_path / "files").rglob("*")}
    assert modes == {0o700, 0o600} and list(exposures(found, [])) == []
    (tmp_path / "files").chmod(0o755)
    assert [str(tmp_path / "files") in told for told in exposures(found, [])] == [True]


def test_a_full_disk_and_a_folder_that_cannot_be_written_are_told_apart(tmp_path: Path) -> None:
    place = tmp_path / "small"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    if os.geteuid() or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("only root may mount the small disk of this test")
    try:
        blobs = Blobs(settings_of(tmp_path, files=str(place / "files")))
        blobs.put(KEY, os.urandom(700_000))
        with pytest.raises(NoRoomError):
            blobs.put("photographs/ab/other.jpg", os.urandom(700_000))
        assert list(blobs.keys("photographs")) == [KEY]  # nothing half written
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)
    (tmp_path / "files").write_text("a file where the folder should be")
    with pytest.raises(FilesError):
        Blobs(settings_of(tmp_path)).put(KEY, b"content")


def test_a_store_that_is_not_there_is_told_of_without_its_address(tmp_path: Path) -> None:
    blobs = Blobs(settings_of(tmp_path, **S3, files_endpoint="http://127.0.0.1:9"))
    for ask in (
        blobs.get,
        blobs.exists,
        blobs.delete,
        lambda key: blobs.put(key, b"x"),
        lambda key: list(blobs.keys(key)),
    ):
        with pytest.raises(FilesError) as told:
            ask(KEY)
        assert "127.0.0.1" not in str(told.value) and "secret" not in str(told.value)


def test_photographs_go_to_the_store_and_come_back(
    new_database: NewDatabase, fake_store: Path, endpoint: str
) -> None:
    app = make_app(fake_store, new_database("sqlite"), **S3, files_endpoint=endpoint)
    asked = asked_of(app)
    made = asked.owner.post(f"{asked.photographs}?view=case", jpeg(), **{"Content-Type": JPEG})
    assert made.status_code == 201
    path = f"{asked.photographs}/{made.json['id']}"
    assert len(asked.owner.get(f"{path}.jpg").data) == made.json["bytes"]
    assert len(list(parts(app).blobs.keys("photographs"))) == 2
    assert asked.owner.ask("delete", path).status_code == 200
    assert list(parts(app).blobs.keys("photographs")) == []
    parts(app).engine.dispose()


def test_an_unreachable_store_is_503_and_leaves_no_row(new_database: NewDatabase, fake_store: Path) -> None:
    app = make_app(fake_store, new_database("sqlite"), **S3, files_endpoint="http://127.0.0.1:9")
    asked = asked_of(app)
    found = asked.owner.post(f"{asked.photographs}?view=case", jpeg(), **{"Content-Type": JPEG})
    assert_problem(found, 503, "files")
    assert found.headers["Retry-After"] and asked.owner.get(asked.photographs).json == {"photographs": []}
    parts(app).engine.dispose()
