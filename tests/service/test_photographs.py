"""Photographs of a request: who may send, see and delete them, and what is kept of each."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import assert_problem
from flask import Flask
from owners import Asked, asked_of, digest_of, send
from pictures import JPEG, PNG, jpeg, noise, png, quarters, tagged, webp
from PIL import Image
from sqlalchemy import select
from websites import HERE, form_of

from models.costs import MOST_PHOTOGRAPHS
from service.db.engine import reading
from service.db.request_tables import EVENTS


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


def test_a_photograph_is_kept_as_the_contract_says(asked: Asked) -> None:
    found = send(asked.owner, asked.photographs, jpeg(4500, 3000), "headstock_back")
    assert found.status_code == 201
    shown = found.json
    assert list(shown) == ["id", "view", "width", "height", "bytes"]
    assert (shown["view"], shown["width"], shown["height"]) == ("headstock_back", 3000, 2000)
    assert asked.owner.get(found.headers["Location"]).get_data() == found.get_data()
    picture = asked.owner.get(f"{asked.photographs}/{shown['id']}.jpg")
    assert len(picture.data) == shown["bytes"] and picture.mimetype == JPEG
    with Image.open(io.BytesIO(picture.data)) as image:
        assert (image.format, image.mode, image.size) == ("JPEG", "RGB", (3000, 2000))
    small = asked.owner.get(f"{asked.photographs}/{shown['id']}/thumbnail.jpg")
    with Image.open(io.BytesIO(small.data)) as image:
        assert image.size == (480, 320)
    assert digest_of(asked.app, shown["id"]) == hashlib.sha256(picture.data).hexdigest()


def test_a_view_is_read_in_any_letters_and_a_misspelt_one_is_told_the_nearest(asked: Asked) -> None:
    assert send(asked.owner, asked.photographs, jpeg(), "Front").json["view"] == "front"
    (fault,) = send(asked.owner, asked.photographs, jpeg(), "fornt").json["errors"]
    assert fault["next_step"] == "did you mean front?"


def test_pictures_are_kept_out_of_caches_and_search_engines(asked: Asked) -> None:
    made = send(asked.owner, asked.photographs, jpeg()).json
    for below in (f"{made['id']}.jpg", f"{made['id']}/thumbnail.jpg"):
        headers = asked.owner.get(f"{asked.photographs}/{below}").headers
        assert headers["X-Robots-Tag"] == "noindex, noimageindex"
        assert headers["Cache-Control"] == "private, no-store, no-transform"
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Content-Disposition"].startswith('inline; filename="front-pho_')
        assert "Content-Encoding" not in headers


@pytest.mark.parametrize("turn", range(1, 9))
def test_a_photograph_is_turned_upright(asked: Asked, turn: int) -> None:
    """EXIF 2.32, orientation: what each number says of the stored rows and columns, undone here by hand."""
    stored = quarters()
    laid = {
        1: stored,
        2: stored.transpose(Image.Transpose.FLIP_LEFT_RIGHT),
        3: stored.rotate(180),
        4: stored.transpose(Image.Transpose.FLIP_TOP_BOTTOM),
        5: stored.rotate(90, expand=True).transpose(Image.Transpose.FLIP_TOP_BOTTOM),
        6: stored.rotate(90, expand=True),
        7: stored.rotate(90, expand=True).transpose(Image.Transpose.FLIP_LEFT_RIGHT),
        8: stored.rotate(270, expand=True),
    }[turn]
    made = send(asked.owner, asked.photographs, tagged(laid, turn)).json
    with Image.open(io.BytesIO(asked.owner.get(f"{asked.photographs}/{made['id']}.jpg").data)) as image:
        assert image.size == (400, 200)
        corners = [image.getpixel(at) for at in ((50, 50), (350, 50), (50, 150), (350, 150))]
    wanted = [(255, 0, 0), (0, 255, 0), (0, 0, 255), (255, 255, 255)]
    for found, right in zip(corners, wanted, strict=True):
        assert all(abs(a - b) < 12 for a, b in zip(found, right, strict=True)), corners


def test_colours_of_another_profile_are_brought_to_srgb(asked: Asked) -> None:
    """A profile whose red and green change places: full red must come out as green."""
    profile = _swapped()
    body = io.BytesIO()
    Image.new("RGB", (64, 64), "red").save(body, "JPEG", icc_profile=profile, quality=95)
    made = send(asked.owner, asked.photographs, body.getvalue()).json
    with Image.open(io.BytesIO(asked.owner.get(f"{asked.photographs}/{made['id']}.jpg").data)) as image:
        red, green, _ = image.getpixel((32, 32))
        assert green > 200 and red < 60 and "icc_profile" not in image.info


def _swapped() -> bytes:
    from PIL import ImageCms

    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    red, green = profile.index(b"rXYZ", 128), profile.index(b"gXYZ", 128)
    profile[red : red + 4], profile[green : green + 4] = b"gXYZ", b"rXYZ"
    return bytes(profile)


def test_the_website_sends_and_never_reads(asked: Asked) -> None:
    made = send(asked.form, asked.photographs, png(), **HERE, **{"Content-Type": PNG})
    assert made.status_code == 201
    below = f"{asked.photographs}/{made.json['id']}"
    for path in (asked.photographs, below, f"{below}.jpg", f"{below}/thumbnail.jpg"):
        assert_problem(asked.form.get(path, **HERE), 403, "scope")
    assert_problem(asked.form.ask("delete", below, **HERE), 403, "scope")


def test_nobody_else_reaches_a_request(app: Flask, asked: Asked) -> None:
    made = send(asked.owner, asked.photographs, jpeg()).json
    other = asked_of(app)
    below = f"{asked.photographs}/{made['id']}"
    for path in (asked.photographs, below, f"{below}.jpg", f"{below}/thumbnail.jpg"):
        assert_problem(other.owner.get(path), 404, "record")
        assert_problem(caller_of(app, "valuations").get(path), 403, "scope")
    assert_problem(other.owner.get(f"{other.photographs}/{made['id']}.jpg"), 404, "record")
    assert_problem(other.owner.ask("delete", below), 404, "record")
    assert_problem(send(other.owner, asked.photographs, jpeg()), 404, "record")
    assert_problem(send(form_of(app), asked.photographs, jpeg(), **HERE), 404, "record")
    assert [one["id"] for one in asked.owner.get(asked.photographs).json["photographs"]] == [made["id"]]


def test_an_idempotency_key_keeps_one(asked: Asked) -> None:
    headers = {"Idempotency-Key": "first"}
    one, again = (
        send(asked.owner, asked.photographs, webp(), **headers, **{"Content-Type": "image/webp"})
        for _ in "12"
    )
    assert (one.status_code, one.get_data()) == (again.status_code, again.get_data()) == (201, one.get_data())
    assert len(asked.owner.get(asked.photographs).json["photographs"]) == 1
    assert_problem(send(asked.owner, asked.photographs, jpeg(), **headers), 422, "other-body")


def test_a_request_has_24_photographs_even_if_all_come_at_once(asked: Asked) -> None:
    with ThreadPoolExecutor(4) as threads:
        found = list(
            threads.map(
                lambda n: send(asked.owner, asked.photographs, jpeg(64, 48)), range(MOST_PHOTOGRAPHS + 4)
            )
        )
    assert sorted(one.status_code for one in found) == [201] * MOST_PHOTOGRAPHS + [409] * 4
    refused = next(one for one in found if one.status_code == 409)
    assert "24 photographs" in assert_problem(refused, 409, "photographs-full")["detail"]
    assert len(asked.owner.get(asked.photographs).json["photographs"]) == 24


@pytest.mark.parametrize("state", ["reported", "declined", "withdrawn"])
def test_an_ended_request_is_closed_to_the_owner(asked: Asked, state: str) -> None:
    made = send(asked.owner, asked.photographs, jpeg()).json
    below = f"{asked.photographs}/{made['id']}"
    asked.set_state(state)
    assert_problem(send(asked.owner, asked.photographs, jpeg()), 409, "request-closed")
    assert_problem(send(asked.form, asked.photographs, jpeg(), **HERE), 409, "request-closed")
    assert_problem(asked.owner.ask("delete", below), 409, "request-closed")
    assert asked.owner.get(f"{below}.jpg").status_code == 200
    assert send(asked.specialist, asked.photographs, jpeg()).status_code == 201
    wanted = 409 if state == "reported" else 200
    assert asked.specialist.ask("delete", below).status_code == wanted


def test_a_delete_heeds_if_match(asked: Asked) -> None:
    made = send(asked.owner, asked.photographs, jpeg())
    path = made.headers["Location"]
    assert asked.owner.ask("delete", path, **{"If-Match": '"another"'}).status_code == 412
    assert asked.owner.ask("delete", path, **{"If-Match": made.headers["ETag"]}).status_code == 200


def test_what_happened_is_recorded_without_a_person(asked: Asked) -> None:
    made = send(asked.owner, asked.photographs, jpeg()).json
    asked.specialist.ask("delete", f"{asked.photographs}/{made['id']}")
    assert asked.specialist.key is not None
    with reading(parts(asked.app).engine) as connection:
        wanted = (
            select(EVENTS.c.actor, EVENTS.c.action)
            .where(EVENTS.c.request_id == asked.id)
            .order_by(EVENTS.c.id)
        )
        found = [tuple(row) for row in connection.execute(wanted)]
    assert found == [
        ("owner", "photograph_added"),
        (asked.specialist.key.split("_")[1], "photograph_deleted"),
    ]


def test_too_large_a_body_is_refused(app: Flask, asked: Asked) -> None:
    body = jpeg() + bytes(parts(app).settings.photograph_limit)
    assert_problem(send(asked.owner, asked.photographs, body), 413, "too-large")
    assert asked.owner.get(asked.photographs).json == {"photographs": []}


def test_a_large_honest_photograph_is_not_enlarged_or_cut(asked: Asked) -> None:
    body = io.BytesIO()
    noise(1200, 900).save(body, "JPEG", quality=95)
    made = send(asked.owner, asked.photographs, body.getvalue()).json
    assert (made["width"], made["height"]) == (1200, 900)
