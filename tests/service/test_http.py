"""HTTP as the standards have it: conditional requests, forms, compressed bodies, names of requests, depth."""

from __future__ import annotations

import gzip
import json
import re
import zlib
from contextlib import closing
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest
from apps import caller_of, paths
from asking import DAL, Caller, assert_problem
from fakes import write_fake
from flask import Flask
from werkzeug.test import TestResponse

from models.bundles.registry import Registry
from service.context import Context

GZIP = {"Content-Encoding": "gzip"}
TRACE = "0af7651916cd43dd8448eb211c80319c"
SPAN = "b7ad6b7169203331"
BODY = json.dumps(DAL).encode()
PACKED = gzip.compress(BODY, mtime=0)  # without the time: a test is named after it


# ── conditional requests ─────────────────────────────────────────────────────


def gets(caller: Caller) -> list[str]:
    """Every path that is read, with the id of a valuation that is kept."""
    kept = caller.value({}).json["id"]
    found = [path for path, method in paths(caller.app) if method == "GET"]
    return [path.replace("val_" + "0" * 26, kept) for path in found]


def test_what_the_caller_has_is_not_sent_again(caller: Caller) -> None:
    for path in gets(caller):
        first = caller.get(path)
        if first.status_code != 200 or path in ("/healthz", "/readyz", "/metrics"):
            continue
        tag = first.headers["ETag"]
        assert re.fullmatch(r'"[0-9a-f]{32}"', tag) and first.headers["Cache-Control"]
        for had in (tag, f"W/{tag}", f'"x", {tag}', "*"):
            again = caller.get(path, **{"If-None-Match": had})
            assert (again.status_code, again.data) == (304, b""), path
            assert again.headers["ETag"] == tag
            assert again.headers["Cache-Control"] == first.headers["Cache-Control"]
            assert "Content-Type" not in again.headers
        other = caller.get(path, **{"If-None-Match": '"x"'})
        assert (other.status_code, other.data) == (200, first.data)


def test_a_kept_valuation_can_be_kept_for_ever_and_health_never(caller: Caller) -> None:
    made = caller.value({})
    found = caller.get(made.headers["Location"])
    assert found.headers["Cache-Control"] == "private, max-age=31536000, immutable"
    assert caller.get("/v1/vocabulary").headers["Cache-Control"] == "private, no-cache"
    health = caller.get("/readyz")
    assert health.headers["Cache-Control"] == "no-store" and "ETag" not in health.headers


def test_a_promotion_changes_the_tag_of_what_it_changes(own_app: Flask) -> None:
    caller, found = caller_of(own_app), own_app.extensions["bookmatch"]
    assert isinstance(found, Context)
    before = [caller.get(path).headers["ETag"] for path in ("/v1/catalogue", "/v1/vocabulary")]
    Registry(found.settings.store).promote(
        write_fake(found.settings.store, base=9.0), who="tests", why="another"
    )
    found.live.look()
    again = [
        caller.get(path, **{"If-None-Match": tag})
        for path, tag in zip(("/v1/catalogue", "/v1/vocabulary"), before, strict=True)
    ]
    assert [one.status_code for one in again] == [200, 304]  # the catalogue says which model it is of


def test_a_condition_that_fails_is_a_problem(caller: Caller) -> None:
    tag = caller.get("/v1/vocabulary").headers["ETag"]
    assert caller.get("/v1/vocabulary", **{"If-Match": tag}).status_code == 200
    assert_problem(caller.get("/v1/vocabulary", **{"If-Match": '"x"'}), 412, "precondition")


def test_problems_and_what_is_not_kept_have_no_tag(caller: Caller) -> None:
    for found in (caller.get("/v1/valuations/x"), caller.post("/v1/intervals", DAL)):
        assert "ETag" not in found.headers
        assert found.headers["Cache-Control"] == "no-store"


def test_head_answers_as_get_does_without_the_body(caller: Caller) -> None:
    for path in gets(caller):
        if path in ("/readyz", "/metrics"):
            continue
        get, head = caller.get(path), caller.client.head(path, headers=caller.headers())
        assert (head.status_code, head.data) == (get.status_code, b""), path
        same = ("Content-Type", "Content-Length", "ETag", "Cache-Control")
        assert [head.headers.get(name) for name in same] == [get.headers.get(name) for name in same]
        if tag := get.headers.get("ETag"):
            had = caller.client.head(path, headers=caller.headers({"If-None-Match": tag}))
            assert had.status_code == 304


# ── forms ────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("accept", ["junk", ";;;", "/", "a/b/c", "application/json;q=abc", "é", "*", ","])
def test_an_accept_that_cannot_be_read_asks_for_nothing(caller: Caller, accept: str) -> None:
    assert caller.post("/v1/intervals", DAL, Accept=accept).status_code == 200


@pytest.mark.parametrize(
    ("accept", "status"),
    [
        ("application/json; charset=utf-8", 200),
        ("junk, text/html", 406),
        ("*/*;q=0", 406),
        ("application/*;q=0.2, */*;q=0", 200),
        ("application/json;q=0, */*", 406),  # the closest range decides
        ("APPLICATION/JSON", 200),
    ],
)
def test_accept_is_read_as_the_standard_has_it(caller: Caller, accept: str, status: int) -> None:
    assert caller.post("/v1/intervals", DAL, Accept=accept).status_code == status


# ── compressed bodies ────────────────────────────────────────────────────────


def packed(caller: Caller, body: bytes, path: str = "/v1/intervals", **headers: str) -> TestResponse:
    return caller.post(path, body, **{**GZIP, **headers})


def test_a_compressed_body_is_read_as_if_it_were_not(caller: Caller) -> None:
    plain = caller.post("/v1/intervals", DAL)
    two = gzip.compress(BODY[:9]) + gzip.compress(BODY[9:])  # RFC 1952: members follow one another
    for body in (gzip.compress(BODY), gzip.compress(BODY, 0), two):
        assert packed(caller, body).data == plain.data
    assert packed(caller, gzip.compress(BODY), **{"Content-Encoding": "X-GZIP"}).status_code == 200
    assert packed(caller, BODY, **{"Content-Encoding": "identity"}).status_code == 200


def test_what_is_kept_of_a_compressed_body_is_what_it_says(caller: Caller) -> None:
    key = {"Idempotency-Key": "packed-1"}
    first = packed(caller, gzip.compress(BODY, mtime=1), "/v1/valuations", **key)
    # The same body compressed another time is the same body, and so it is uncompressed.
    second = packed(caller, gzip.compress(BODY, 1, mtime=2), "/v1/valuations", **key)
    third = caller.post("/v1/valuations", BODY, **key)
    assert first.status_code == 201 and first.data == second.data == third.data


def test_a_body_that_unpacks_past_the_limit_is_refused(caller: Caller) -> None:
    limit = 256 * 1024
    assert packed(caller, gzip.compress(BODY + b" " * (limit - len(BODY)))).status_code == 200
    assert_problem(packed(caller, gzip.compress(BODY + b" " * (limit - len(BODY) + 1))), 413, "too-large")
    bomb = zlib.compressobj(9, wbits=31)
    data = b"".join(bomb.compress(b" " * 1_000_000) for _ in range(100)) + bomb.flush()
    assert len(data) < 100_000
    assert_problem(packed(caller, data), 413, "too-large")


def test_a_list_may_come_compressed_but_not_blow_up(caller: Caller) -> None:
    kind = {"Content-Type": "text/csv"}
    rows = b"id,maker,model\n" + b"".join(b"R%d,Ostvik,Dal\n" % number for number in range(300))
    path = "/v1/stocklists?date=2026-01-02"
    answers = []
    for body, coding in ((rows, {}), (gzip.compress(rows), GZIP)):
        with closing(caller.post(path, body, **kind, **coding)) as found:
            answers.append(found.data)
    assert answers[0] == answers[1] and answers[0].count(b"\n") == 301
    empty = b"\n" * 9_000_000  # far from the limit of lists, as a body of this size sent as it is
    assert_problem(packed(caller, gzip.compress(rows + empty), path, **kind), 413, "too-large")


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (BODY, "not the gzip"),
        (PACKED[:-9], "cut short"),
        (PACKED[:-1], "cut short"),
        (PACKED[:5], "cut short"),
        (PACKED[:-8] + b"\0" * 8, "not the gzip"),
        (PACKED + b"more", "not the gzip"),
        (gzip.compress(b"", mtime=0) * 5_000, "next to nothing"),
        (b"", "not JSON"),
    ],
)
def test_what_is_no_whole_gzip_is_refused(caller: Caller, body: bytes, said: str) -> None:
    assert said in assert_problem(packed(caller, body), 400, "body")["detail"]


@pytest.mark.parametrize("coding", ["br", "deflate", "gzip, gzip", "zstd"])
def test_another_compression_is_refused_with_the_one_that_is_read(caller: Caller, coding: str) -> None:
    found = packed(caller, BODY, **{"Content-Encoding": coding})
    assert_problem(found, 415, "content-encoding")
    assert found.headers["Accept-Encoding"] == "gzip"


# ── depth ────────────────────────────────────────────────────────────────────


def nest(depth: int) -> str:
    return '{"a":' * depth + "1" + "}" * depth


def test_nesting_beyond_any_need_is_refused_as_such(caller: Caller) -> None:
    assert_problem(caller.post("/v1/intervals", nest(32)), 422, "fields")
    for deep in (nest(33), nest(900)):
        problem = assert_problem(caller.post("/v1/intervals", deep), 400, "body")
        assert "nested too deeply" in problem["detail"]
    for deepest in (nest(100_000 // 6), "[" * 5_000 + "]" * 5_000):
        problem = assert_problem(caller.post("/v1/intervals", deepest), 400, "body")
        assert "too many objects and lists" in problem["detail"]


# ── names of requests ────────────────────────────────────────────────────────


def logged(caller: Caller, monkeypatch: pytest.MonkeyPatch, **headers: str) -> dict[str, Any]:
    lines = Mock()
    monkeypatch.setattr("service.server.logs.Requests.lines", lines)
    caller.get("/healthz", **headers)
    return said_last(lines)


def said_last(lines: Mock) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(lines.msg.call_args.args[0])
    return found


def test_a_trace_that_began_elsewhere_is_continued(caller: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    for sent in (
        f"00-{TRACE}-{SPAN}-01",
        f"00-{TRACE}-{SPAN}-00",
        f"cc-{TRACE}-{SPAN}-01-what-the-future-says",
    ):
        found = logged(caller, monkeypatch, traceparent=sent)
        assert (found["trace_id"], found["parent"]) == (TRACE, SPAN)
        assert re.fullmatch("[0-9a-f]{16}", found["span_id"]) and found["span_id"] != SPAN


@pytest.mark.parametrize(
    "sent",
    [
        "",
        "junk",
        f"00-{TRACE}-{SPAN}",
        f"00-{TRACE}-{SPAN}-01-more",
        f"ff-{TRACE}-{SPAN}-01",
        f"00-{'0' * 32}-{SPAN}-01",
        f"00-{TRACE}-{'0' * 16}-01",
        f"00-{TRACE.upper()}-{SPAN}-01",
        f"00-{TRACE}-{SPAN}-01,00-{TRACE}-{SPAN}-01",
        f"cc-{TRACE}-{SPAN}-01what",
        f"00-{TRACE}-{SPAN}-01\u0085",
    ],
)
def test_a_trace_that_cannot_be_read_begins_anew(
    caller: Caller, monkeypatch: pytest.MonkeyPatch, sent: str
) -> None:
    found = logged(caller, monkeypatch, traceparent=sent)
    assert re.fullmatch("[0-9a-f]{32}", found["trace_id"]) and found["trace_id"] != TRACE
    assert found["parent"] is None
    assert logged(caller, monkeypatch, traceparent=sent)["trace_id"] != found["trace_id"]


def test_a_failure_is_logged_under_the_same_names(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    log, lines = Mock(), Mock()
    monkeypatch.setattr("service.server.logs._log", log)
    monkeypatch.setattr("service.server.logs.Requests.lines", lines)
    monkeypatch.setattr("service.api.values.services.ranged", lambda ask: 1 / 0)
    caller_of(own_app).post("/v1/intervals", DAL, traceparent=f"00-{TRACE}-{SPAN}-01")
    assert log.error.call_args.kwargs["trace_id"] == said_last(lines)["trace_id"] == TRACE
