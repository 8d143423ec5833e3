"""Answers come compressed to those who accept it, and conditions hold for both forms."""

from __future__ import annotations

import gzip
import zlib
from contextlib import closing
from typing import Any

import pytest
from apps import caller_of
from asking import DAL, Caller, assert_problem
from flask import Flask
from records import SALE

GZIP = {"Accept-Encoding": "gzip"}
LIST = "id,maker,model\n" + "".join(f"A{n},Ostvik,Dal\n" for n in range(700))


def forms(caller: Caller, method: str, path: str, body: Any = None, **headers: str) -> tuple[Any, Any]:
    """The answer to a request as it is, and the one that is compressed."""
    return tuple(caller.ask(method, path, body, **headers, **more) for more in ({}, GZIP))


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("get", "/v1/vocabulary", None),
        ("get", "/openapi.json", None),
        ("get", "/docs", None),
        ("post", "/v1/attributions", DAL),
        ("post", "/v1/intervals", {"instrument": {f"x{n}": n for n in range(20)}}),  # a long problem
    ],
)
def test_a_long_answer_is_the_same_in_both_forms(caller: Caller, method: str, path: str, body: Any) -> None:
    plain, packed = forms(caller, method, path, body)
    assert "Content-Encoding" not in plain.headers
    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.data) == plain.data or packed.status_code == 422
    assert len(gzip.decompress(packed.data)) == len(plain.data) >= 1024
    assert int(packed.headers["Content-Length"]) == len(packed.data) < len(plain.data) / 2
    for found in (plain, packed):
        assert "Accept-Encoding" in found.vary


def test_a_short_answer_is_left_as_it_is(caller: Caller) -> None:
    found = caller.get("/healthz", **GZIP)
    assert "Content-Encoding" not in found.headers and found.json == {"status": "alive"}
    assert "Accept-Encoding" not in found.vary


@pytest.mark.parametrize(
    ("accept", "packed"),
    [
        ("", False),
        ("br", False),
        ("gzip;q=0", False),
        ("*;q=0", False),
        ("identity, gzip;q=0.5", False),
        ("*", True),
        ("gzip;q=0.1", True),
        ("deflate, GZIP", True),
        ("identity;q=0.5, gzip", True),
    ],
)
def test_the_caller_chooses(caller: Caller, accept: str, packed: bool) -> None:
    found = caller.get("/v1/vocabulary", **{"Accept-Encoding": accept})
    assert (found.headers.get("Content-Encoding") == "gzip") is packed


def test_head_says_of_the_compressed_form_what_get_says(caller: Caller) -> None:
    get = caller.get("/v1/vocabulary", **GZIP)
    head = caller.client.head("/v1/vocabulary", headers=caller.headers(GZIP))
    for name in ("ETag", "Content-Length", "Content-Encoding", "Vary"):
        assert head.headers[name] == get.headers[name]
    assert head.data == b""


def test_each_form_has_a_tag_and_either_tag_is_answered_by_304(caller: Caller) -> None:
    plain, packed = (found.headers["ETag"] for found in forms(caller, "get", "/v1/vocabulary"))
    assert plain != packed
    for tag in (plain, packed):
        for more in ({}, GZIP):
            found = caller.get("/v1/vocabulary", **{"If-None-Match": tag}, **more)
            assert (found.status_code, found.headers["ETag"], found.data) == (304, tag, b"")
            assert "Accept-Encoding" in found.vary
    assert caller.get("/v1/vocabulary", **{"If-None-Match": packed[:-2] + '"'}).status_code == 200


def test_the_tag_of_the_compressed_form_allows_a_change(dealer: Caller) -> None:
    long = {**SALE, "source": "a long note " * 80}
    dealer.post("/v1/evidence", long)
    tag = dealer.get("/v1/evidence/S-1", **GZIP).headers["ETag"]
    assert "-gzip" in tag
    changed = dealer.ask("put", "/v1/evidence/S-1", {**long, "price": "2"}, **{"If-Match": tag}, **GZIP)
    assert changed.status_code == 200
    assert dealer.get("/v1/evidence/S-1", **GZIP).headers["ETag"] == changed.headers["ETag"] != tag
    late = dealer.ask("put", "/v1/evidence/S-1", long, **{"If-Match": tag})
    assert_problem(late, 412, "precondition")


def test_a_stock_list_is_compressed_piece_by_piece(caller: Caller) -> None:
    """Each piece that arrives can be unpacked at once, without waiting for those after it."""
    asked = "/v1/stocklists?date=2026-01-02"
    with closing(caller.post(asked, LIST, **{"Content-Type": "text/csv"})) as listed:
        plain = listed.data
    headers = caller.headers({"Content-Type": "text/csv", **GZIP})
    found = caller.client.post(asked, data=LIST, headers=headers, buffered=False)
    with closing(found):
        pieces = list(found.iter_encoded())
    assert found.headers["Content-Encoding"] == "gzip" and "Content-Length" not in found.headers
    unpacker = zlib.decompressobj(wbits=31)
    assert [unpacker.decompress(piece).count(b"\n") for piece in pieces] == [26, 100, 500, 75, 0]
    packed = b"".join(pieces)
    assert gzip.decompress(packed) == plain and len(packed) < len(plain) / 10


def test_a_secret_is_never_compressed(shared_app: Flask) -> None:
    admin = caller_of(shared_app, "admin")
    asked = {
        "label": "x" * 200,
        "kind": "website",
        "origins": [f"https://{'w' * 60}{n}.example.org" for n in range(20)],
    }
    made = admin.post("/v1/keys", asked, **GZIP)
    assert len(made.data) > 1024 and made.json["key"]
    rotated = admin.post(f"{made.headers['Location']}/rotate", {}, **GZIP)
    for found in (made, rotated):
        assert found.status_code == 201 and "Content-Encoding" not in found.headers
        assert found.headers["Cache-Control"] == "no-store, no-transform"
    assert "Content-Encoding" in admin.get(made.headers["Location"], **GZIP).headers
