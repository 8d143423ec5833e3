"""An answer to PUT or POST that shows a resource has the ETag of it, which the next change can name."""

from __future__ import annotations

from typing import Any

import pytest
from apps import caller_of
from asking import DAL, Caller, assert_problem
from flask import Flask
from records import SALE

Found = Any
SOLD = {"date": "2026-01-03", "price": "900.00"}


@pytest.fixture
def clerk(evidence_app: Flask) -> Caller:
    """May do everything, of a service without evidence."""
    return caller_of(evidence_app, "valuations", "evidence", "admin")


def assert_shown(caller: Caller, found: Found, path: str) -> str:
    """The answer names the path, and has the tag and the bytes that GET gives there."""
    assert found.status_code in (200, 201), found.text
    assert found.headers["Content-Location"] == path
    got = caller.get(path)
    assert (got.data, got.headers["ETag"]) == (found.data, found.headers["ETag"])
    return str(found.headers["ETag"])


def test_a_new_record_can_be_corrected_without_reading_it_again(clerk: Caller) -> None:
    made = clerk.post("/v1/evidence", {**SALE, "id": "a b"})
    tag = assert_shown(clerk, made, "/v1/evidence/a%20b")
    assert made.headers["Location"] == "/v1/evidence/a%20b"
    changed = clerk.ask("put", "/v1/evidence/a b", {**SALE, "id": "a b", "price": "2"}, **{"If-Match": tag})
    assert assert_shown(clerk, changed, "/v1/evidence/a%20b") != tag


def test_a_confirmed_record_is_shown_with_its_tag(clerk: Caller) -> None:
    clerk.post("/v1/evidence", {**SALE, "id": "a b", "price": "2"})
    assert_shown(clerk, clerk.ask("put", "/v1/evidence/a b/confirmation"), "/v1/evidence/a%20b")


def test_a_new_valuation_has_the_tag_of_itself(clerk: Caller) -> None:
    made = clerk.post("/v1/valuations", DAL, **{"Idempotency-Key": "tagged"})
    tag = assert_shown(clerk, made, made.headers["Location"])
    again = clerk.post("/v1/valuations", DAL, **{"Idempotency-Key": "tagged"})
    assert again.headers["ETag"] == tag


def test_a_revoked_key_is_shown_with_its_tag(clerk: Caller) -> None:
    made = clerk.post("/v1/keys", {"label": "to go", "scopes": ["valuations"]})
    path = made.headers["Location"]
    assert "ETag" not in made.headers  # it shows the secret, which GET never does
    assert_shown(clerk, clerk.post(f"{path}/revoke", ""), path)


def test_an_answer_that_shows_no_resource_has_no_tag(clerk: Caller) -> None:
    assert "ETag" not in clerk.post("/v1/intervals", DAL).headers


def test_two_who_correct_an_outcome_do_not_overwrite_each_other(clerk: Caller) -> None:
    path = f"{clerk.value({}).headers['Location']}/outcome"
    assert_problem(clerk.ask("put", path, SOLD, **{"If-Match": "*"}), 412, "precondition")
    tag = assert_shown(clerk, clerk.ask("put", path, SOLD), path)
    changed = clerk.ask("put", path, {**SOLD, "price": "950.00"}, **{"If-Match": tag})
    newer = assert_shown(clerk, changed, path)
    for method, body in (("put", SOLD), ("delete", None)):
        assert_problem(clerk.ask(method, path, body, **{"If-Match": tag}), 412, "precondition")
    assert clerk.get(path).json["price"] == "950.00"
    assert clerk.ask("delete", path, **{"If-Match": newer}).status_code == 200


def test_a_stale_tag_is_told_to_look_before_sending_again(clerk: Caller) -> None:
    clerk.post("/v1/evidence", {**SALE, "id": "S-1"})
    late = clerk.ask("put", "/v1/evidence/S-1", {**SALE, "id": "S-1"}, **{"If-Match": '"old"'})
    body = assert_problem(late, 412, "precondition")
    assert body["detail"] == "GET it again, look at what changed, then send your change with the new ETag."
