"""The files of photographs: they come before the row that names them, and go with the last one that does."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, make_app, parts
from asking import Caller, assert_problem
from flask import Flask
from owner_pages import SAID
from owners import Asked, asked_of, blobs_of, digest_of, files_of, send
from pictures import JPEG, encoded, jpeg
from PIL import Image
from sqlalchemy import Connection
from websites import HERE
from werkzeug.test import TestResponse

from service.blobs.store import Blobs
from service.db.engine import writing
from service.photographs import records
from service.photographs.taking import Kept, key_of


@pytest.fixture(scope="module")
def app(
    backend: str, new_database: NewDatabase, fake_store: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Flask]:
    """An application with a folder of files of its own, on SQLite and on PostgreSQL."""
    folder = tmp_path_factory.mktemp("photographs")
    app = make_app(fake_store, new_database(backend), files=str(folder / "files"))
    yield app
    parts(app).engine.dispose()


@pytest.fixture
def asked(app: Flask) -> Asked:
    return asked_of(app)


def test_a_file_goes_with_the_last_row_that_names_it(
    app: Flask, asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    other, body = asked_of(app), jpeg(200, 100)
    first, second = (send(one.owner, one.photographs, body).json for one in (asked, other))
    digest = digest_of(app, first["id"])
    assert digest == digest_of(app, second["id"])
    keys = {key_of(digest), key_of(digest, thumbnail=True)}
    assert keys <= files_of(app)
    with monkeypatch.context() as patch:
        patch.setattr(Blobs, "delete", lambda self, key: pytest.fail(f"{key} is still named"))
        assert asked.owner.ask("delete", f"{asked.photographs}/{first['id']}").json == first
    assert keys <= files_of(app)
    assert other.owner.get(f"{other.photographs}/{second['id']}.jpg").status_code == 200
    assert other.owner.ask("delete", f"{other.photographs}/{second['id']}").status_code == 200
    assert not keys & files_of(app)
    assert_problem(other.owner.get(f"{other.photographs}/{second['id']}.jpg"), 404, "record")


def test_forgetting_a_request_leaves_no_file(app: Flask, asked: Asked) -> None:
    made = [send(asked.owner, asked.photographs, jpeg(n, 90)).json["id"] for n in (91, 92)]
    keys = {key_of(digest_of(app, one), thumbnail=small) for one in made for small in (False, True)}
    with writing(parts(app).engine) as connection:
        digests = records.forget(connection, asked.id)
    assert records.release(parts(app).engine, blobs_of(app), digests) == 2
    assert not keys & files_of(app)
    assert asked.owner.get(asked.photographs).json == {"photographs": []}


def test_files_without_a_row_go_after_a_day(app: Flask, asked: Asked) -> None:
    """A kill between file and row leaves such files; those of rows stay, however old."""
    kept = key_of(digest_of(app, send(asked.owner, asked.photographs, jpeg(150, 90)).json["id"]))
    lost = key_of("f" * 64)
    for key in (lost, key_of("f" * 64, thumbnail=True)):
        blobs_of(app).put(key, b"left behind")
    engine, now = parts(app).engine, datetime.now(UTC)
    records.prune(engine, blobs_of(app), now + timedelta(hours=23))
    assert {kept, lost} <= files_of(app)
    assert records.prune(engine, blobs_of(app), now + timedelta(hours=25)) == 1
    assert kept in files_of(app) and not any("ffff" in name for name in files_of(app))


def test_a_photograph_that_comes_while_its_like_is_deleted_stays(
    app: Flask, asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its row is written after the last look for rows, and before the files go."""
    first = send(asked.owner, asked.photographs, jpeg(170, 90)).json
    digest, blobs, late = digest_of(app, first["id"]), blobs_of(app), asked_of(app)
    made: list[str] = []
    delete = Blobs.delete

    def interrupted(self: Blobs, key: str) -> None:
        if not made:
            made.append(send(late.owner, late.photographs, jpeg(170, 90)).json["id"])
        delete(self, key)

    monkeypatch.setattr(Blobs, "delete", interrupted)
    assert asked.owner.ask("delete", f"{asked.photographs}/{first['id']}").status_code == 200
    assert made and blobs.exists(key_of(digest)) and blobs.exists(key_of(digest, thumbnail=True))
    assert late.owner.get(f"{late.photographs}/{made[0]}.jpg").status_code == 200


def test_files_that_go_between_file_and_row_are_put_back(
    app: Flask, asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another delete had its last look for rows before the row is written."""
    add = records.add

    def late(connection: Connection, request_id: str, view: str, kept: Kept) -> dict[str, Any]:
        for small in (False, True):
            blobs_of(app).delete(key_of(kept.digest, thumbnail=small))
        return add(connection, request_id, view, kept)

    monkeypatch.setattr(records, "add", late)
    made = send(asked.owner, asked.photographs, jpeg(171, 90)).json
    for ending in (".jpg", "/thumbnail.jpg"):
        assert asked.owner.get(f"{asked.photographs}/{made['id']}{ending}").status_code == 200


def test_a_photograph_that_is_one_too_many_leaves_no_file(
    app: Flask, asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another one came while it was opened; and where it is clear before, it is not opened at all."""
    monkeypatch.setattr(records, "MOST_PHOTOGRAPHS", 1)
    add = records.add

    def late(connection: Connection, request_id: str, view: str, kept: Kept) -> dict[str, Any]:
        add(connection, request_id, view, Kept("e" * 64, 1, 1, 1))
        return add(connection, request_id, view, kept)

    before = files_of(app)
    with monkeypatch.context() as patch:
        patch.setattr(records, "add", late)
        assert_problem(send(asked.owner, asked.photographs, jpeg(172, 90)), 409, "photographs-full")
    assert files_of(app) == before
    assert send(asked.owner, asked.photographs, jpeg(173, 90)).status_code == 201
    monkeypatch.setattr(Blobs, "put", lambda self, key, data: pytest.fail("it was opened and kept"))
    assert_problem(send(asked.owner, asked.photographs, jpeg(174, 90)), 409, "photographs-full")


@pytest.fixture
def bounded(fake_store: Path, new_database: NewDatabase, tmp_path: Path) -> Iterator[Flask]:
    """An application that takes few bytes of photographs: 6,400 of a website key, 800 from an address."""
    files = str(tmp_path / "files")
    app = make_app(fake_store, new_database("sqlite"), files=files, limit_photographs=6_400)
    yield app
    parts(app).engine.dispose()


def from_address(caller: Caller, path: str, address: str) -> TestResponse:
    headers = caller.headers({"Content-Type": JPEG, **HERE})
    body, where = encoded(Image.new("RGB", (8, 8)), "JPEG"), {"REMOTE_ADDR": address}
    return caller.client.post(f"{path}?view=front", data=body, headers=headers, environ_base=where)


def test_a_website_key_and_its_owners_store_so_many_photographs_in_a_day_and_no_more(bounded: Flask) -> None:
    asked = asked_of(bounded)
    first = from_address(asked.form, asked.photographs, "192.0.2.1")
    size = stored(bounded)
    assert first.status_code == 201 and 400 < size < 800  # so one address has room for one
    for sender in (asked.form, asked.owner):
        refused = from_address(sender, asked.photographs, "192.0.2.1")
        assert "800 bytes of photographs" in assert_problem(refused, 429, "limit")["detail"]
        assert 86_000 < int(refused.headers["Retry-After"]) <= 86_400
    found = [from_address(asked.owner, asked.photographs, f"192.0.2.{n}") for n in range(2, 20)]
    taken = [one.status_code for one in found].index(429)
    assert 1 + taken == 6_400 // size and {one.status_code for one in found[taken:]} == {429}
    assert stored(bounded) == size  # they are alike, and what was refused left nothing
    assert "6400 bytes of photographs" in found[-1].text
    other = asked_of(bounded)
    assert from_address(other.form, other.photographs, "192.0.2.50").status_code == 201
    assert from_address(asked.specialist, asked.photographs, "192.0.2.1").status_code == 201


def stored(app: Flask) -> int:
    """The bytes of all files of photographs."""
    folder = blobs_of(app).folder
    assert folder is not None
    return sum((folder / name).stat().st_size for name in files_of(app))


def test_a_browser_without_script_is_led_on_though_its_photograph_is_refused(bounded: Flask) -> None:
    """The request was taken, and the owner needs the page of it."""
    several = [(io.BytesIO(encoded(Image.new("RGB", (8, 8)), "JPEG")), f"{n}.jpg") for n in range(2)]
    found = bounded.test_client().post("/form", data={**SAID, "photograph.front": several})
    assert found.status_code == 303 and found.headers["Location"].endswith("?done=photographs_refused")
