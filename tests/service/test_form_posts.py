"""Posts to the pages of owners are bounded: whoever sends much or compresses it costs and gets little."""

from __future__ import annotations

import gzip

import pytest
from apps import parts
from flask import Flask
from owner_pages import SAID, Parsed
from pictures import encoded, noise
from request_bodies import made, visitor_of
from werkzeug.test import TestResponse

from models.costs import LONGEST_MESSAGE, MOST_FORM_BYTES

BYTES = 256 * 1024  # of an answer to what is refused, as for every operation
MULTIPART = {"Content-Type": "multipart/form-data; boundary=B"}


@pytest.fixture(params=["/form", "follow"])
def page(request: pytest.FixtureRequest, own_app: Flask) -> str:
    """The path of the form, and of an owner's page."""
    if request.param != "follow":
        return str(request.param)
    visitor, here = visitor_of(own_app)
    return str(made(visitor, headers=here)["follow"])


def multipart(*fields: tuple[str, bytes]) -> bytes:
    head = '--B\r\nContent-Disposition: form-data; name="{}"\r\n\r\n'
    return b"".join(head.format(name).encode() + value + b"\r\n" for name, value in fields) + b"--B--\r\n"


def posted(app: Flask, path: str, body: bytes, **headers: str) -> TestResponse:
    return app.test_client().post(path, data=body, headers={**MULTIPART, **headers})


def test_many_long_texts_are_not_repeated(own_app: Flask, page: str) -> None:
    names = [*SAID, "message", "instrument.serial", "instrument.finish"]
    for body in (
        multipart(*((name, b"&" * 400_000) for name in names)),
        multipart(*((name, b"&" * 30_000) for name in names)),
        multipart(("message", b"&" * 33_000)),
        multipart(*((f"x{n}", b"") for n in range(500))),
    ):
        found = posted(own_app, page, body)
        assert found.status_code == 413 and len(found.data) < BYTES
        assert "larger than" in Parsed(found.text).text


def test_as_much_as_an_owner_can_say_is_taken(own_app: Flask, page: str) -> None:
    told = {**SAID, "message": "\N{GUITAR}" * LONGEST_MESSAGE}
    found = posted(own_app, page, multipart(*((name, text.encode()) for name, text in told.items())))
    assert found.status_code == 303, found.text


def test_a_photograph_of_some_megabytes_is_taken(own_app: Flask) -> None:
    photograph = b"--B\r\nContent-Type: image/jpeg\r\nContent-Disposition: form-data; " + (
        b'name="photograph.front"; filename="a.jpg"\r\n\r\n' + encoded(noise(1500, 1500, 1), "JPEG") + b"\r\n"
    )
    assert len(photograph) > 2**20
    told = multipart(*((name, text.encode()) for name, text in SAID.items()))
    found = posted(own_app, "/form", photograph + told)
    assert found.status_code == 303 and found.headers["Location"].endswith("?done=request")


def test_the_longest_answer_to_a_refusal_is_short(own_app: Flask) -> None:
    told = {**SAID, "consent": "", "message": "&" * 32_000}
    found = posted(own_app, "/form", multipart(*((name, text.encode()) for name, text in told.items())))
    assert found.status_code == 422 and 150_000 < len(found.data) < BYTES


def test_a_body_that_is_too_long_is_told_so_in_the_readers_language(own_app: Flask, page: str) -> None:
    found = posted(own_app, page, b"x" * (MOST_FORM_BYTES + 1), **{"Accept-Language": "de"})
    assert found.status_code == 413 and "größer als" in Parsed(found.text).text


def test_a_compressed_form_is_refused(own_app: Flask, page: str) -> None:
    body = gzip.compress(multipart(("photograph.front", b"0" * 2**20)))
    found = posted(own_app, page, body, **{"Content-Encoding": "gzip"})
    assert found.status_code == 415
    assert parts(own_app).settings.photograph_limit > 2**20  # it is refused for its form alone
