"""Hostile uploads: each is refused with a clear error and nothing stored; what a picture carries is lost."""

from __future__ import annotations

import io
import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from apps import NewDatabase, make_app, parts
from asking import assert_problem
from flask import Flask
from hostile_pictures import HTML, SCRIPT, Upload, cleaned, refused, taken
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from owners import Asked, asked_of
from pictures import JPEG, PLACE, PNG, WEBP, WORDS, jpeg, png, segments_of, tagged, webp
from PIL import Image
from sqlalchemy import func, select
from werkzeug.test import TestResponse

from service.db.engine import reading
from service.db.request_tables import EVENTS, PHOTOGRAPHS

# The segments of a JPEG that hold no more than the pixels: JFIF's head, tables, and the frame.
BARE = {0xE0, 0xDB, 0xC0, 0xC4}


@pytest.fixture(scope="module")
def app(
    new_database: NewDatabase, fake_store: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Flask]:
    folder = tmp_path_factory.mktemp("hostile")
    app = make_app(fake_store, new_database("sqlite"), files=str(folder / "files"))
    yield app
    parts(app).engine.dispose()


@pytest.fixture(scope="module")
def asked(app: Flask) -> Asked:
    return asked_of(app)


def send(asked: Asked, upload: Upload) -> TestResponse:
    return asked.owner.post(asked.photographs + upload.query, upload.body, **{"Content-Type": upload.form})


def stored(app: Flask) -> tuple[int, int, list[str]]:
    """Rows of photographs and of events, and the names of files."""
    folder = parts(app).blobs.folder
    assert folder is not None
    with reading(parts(app).engine) as connection:
        rows = [
            connection.execute(select(func.count()).select_from(one)).scalar_one()
            for one in (PHOTOGRAPHS, EVENTS)
        ]
    return rows[0], rows[1], sorted(path.name for path in folder.rglob("*") if path.is_file())


def test_there_are_at_least_forty() -> None:
    assert len(refused()) >= 40


@pytest.mark.parametrize("name", refused())
def test_a_hostile_upload_is_refused_and_nothing_stored(app: Flask, asked: Asked, name: str) -> None:
    upload, before = refused()[name], stored(app)
    problem = assert_problem(send(asked, upload), *upload.refused)
    assert stored(app) == before
    told = (
        problem["detail"] if upload.refused[0] != 422 or "errors" not in problem else str(problem["errors"])
    )
    assert any(word in told for word in ("Send", "send", "Save", "allowed", "leave it out")), told
    assert "Traceback" not in told and "PIL" not in told and "/tmp" not in told


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("HTML as JPEG", "no JPEG, PNG or WebP"),
        ("PNG as JPEG", "The body is image/png, but Content-Type says image/jpeg"),
        ("JPEG cut after half", "cannot be opened as JPEG: it is damaged, cut off"),
        ("a PNG of no size", "cannot be opened as PNG"),
        ("a strip 60,000 high", "1 × 60,000 pixels, and a side can have 20,000"),
        ("a PNG that claims 60,000 × 60,000", "more than 50 million pixels"),
        ("a WebP of 25 million pixels", "more than 20 million pixels"),
        ("an animated PNG", "several pictures"),
    ],
)
def test_the_refusal_says_what_is_wrong(asked: Asked, name: str, said: str) -> None:
    assert said in send(asked, refused()[name]).json["detail"]


@pytest.mark.parametrize("name", cleaned())
def test_what_a_usable_picture_carries_is_lost(app: Flask, name: str) -> None:
    asked = asked_of(app)
    found = send(asked, cleaned()[name])
    assert found.status_code == 201, found.text
    for body in pictures_of(asked, found.json["id"]):
        assert_bare(body)


@pytest.mark.parametrize("name", taken())
def test_an_unusual_picture_is_taken(app: Flask, name: str) -> None:
    asked = asked_of(app)
    found = send(asked, taken()[name])
    assert found.status_code == 201, found.text
    for body in pictures_of(asked, found.json["id"]):
        assert_bare(body)


@pytest.mark.parametrize("name", ["all clear", "a clear WebP", "grey with alpha"])
def test_what_is_clear_becomes_white(app: Flask, name: str) -> None:
    asked = asked_of(app)
    body, _ = pictures_of(asked, send(asked, taken()[name]).json["id"])
    with Image.open(io.BytesIO(body)) as image:
        assert image.getextrema() == ((255, 255), (255, 255), (255, 255))


def test_grey_of_16_bits_keeps_its_tones(app: Flask) -> None:
    """The rows run from black to white, so their mean is half way: 32,767 of 65,535 is 127 of 255."""
    asked = asked_of(app)
    body, _ = pictures_of(asked, send(asked, taken()["grey of 16 bits"]).json["id"])
    with Image.open(io.BytesIO(body)) as image:
        rows = [image.getpixel((160, y))[0] for y in (2, 120, 237)]
    assert rows[0] < 6 and 122 <= rows[1] <= 133 and rows[2] > 249


def test_the_place_and_every_tag_are_gone(app: Flask) -> None:
    body = tagged()
    with Image.open(io.BytesIO(body)) as image:  # they were there
        assert image.getexif().get_ifd(0x8825)[2] == (52.0, 31.0, 12.5)
        assert image.info["comment"] == WORDS and image.info["icc_profile"] and PLACE in image.info["xmp"]
    assert body.count(PLACE) >= 4 and body.count(WORDS) >= 3
    asked = asked_of(app)
    for served in pictures_of(asked, send(asked, Upload(JPEG, body)).json["id"]):
        assert_bare(served)
        with Image.open(io.BytesIO(served)) as image:
            assert not image.getexif() and not image.getexif().get_ifd(0x8825)
            assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    folder = parts(app).blobs.folder
    assert folder is not None
    for path in folder.rglob("*.jpg"):
        assert PLACE not in path.read_bytes() and WORDS not in path.read_bytes()


def pictures_of(asked: Asked, photograph_id: str) -> tuple[bytes, bytes]:
    below = f"{asked.photographs}/{photograph_id}"
    found = [asked.owner.get(f"{below}{ending}") for ending in (".jpg", "/thumbnail.jpg")]
    assert [one.status_code for one in found] == [200, 200]
    return found[0].data, found[1].data


def assert_bare(body: bytes) -> None:
    """The JPEG holds pixels and no more."""
    assert set(segments_of(body)) <= BARE
    assert body.endswith(b"\xff\xd9") and body.count(b"\xff\xd9") == 1
    for word in (
        PLACE,
        WORDS,
        SCRIPT,
        HTML,
        b"Exif",
        b"ICC_PROFILE",
        b"http",
        b"8BIM",
        b"PK\3\4",
        b"%PDF",
        b"MPF",
    ):
        assert word not in body


# ── whatever comes ───────────────────────────────────────────────────────────

SMALL = {JPEG: jpeg(48, 32), PNG: png(48, 32), WEBP: webp(48, 32)}
HEADS = {JPEG: b"\xff\xd8\xff", PNG: b"\x89PNG\r\n\x1a\n", WEBP: b"RIFF\0\0\0\0WEBP"}


@st.composite
def uploads(draw: st.DrawFn) -> Upload:
    """Random bytes behind a right head, or a real picture with bytes changed, cut out or put in."""
    form = draw(st.sampled_from(list(SMALL)))
    if draw(st.booleans()):
        return Upload(form, HEADS[form] + draw(st.binary(max_size=300)))
    body, chance = bytearray(SMALL[form]), random.Random(draw(st.integers(0, 2**32)))
    for _ in range(draw(st.integers(1, 8))):
        at = chance.randrange(2, len(body))
        change = chance.randrange(3)
        if change == 0:
            body[at] = chance.randrange(256)
        elif change == 1:
            del body[at : at + chance.randrange(1, 50)]
        else:
            body[at:at] = chance.randbytes(chance.randrange(1, 50))
    return Upload(form, bytes(body))


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(upload=uploads())
def test_whatever_comes_is_taken_bare_or_refused(app: Flask, upload: Upload) -> None:
    """A changed picture can still be one; then it is kept as pixels alone. Anything else leaves nothing."""
    asked, before = asked_of(app), stored(app)
    found = send(asked, upload)
    if found.status_code == 201:
        for body in pictures_of(asked, found.json["id"]):
            assert_bare(body)
        return
    assert found.status_code in (415, 422), found.text
    assert found.json["type"] in ("/docs#problem-photograph", "/docs#problem-content-type")
    assert stored(app) == before
