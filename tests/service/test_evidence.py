"""Evidence through the service: taken in, corrected, withdrawn and listed, with every change kept."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem, faults_of
from flask import Flask
from records import SALE, ids, record

# ── one record ───────────────────────────────────────────────────────────────


def test_a_record_is_kept_spelled_as_the_catalogue_has_it(dealer: Caller) -> None:
    found = record(dealer)
    assert found.status_code == 201
    assert found.headers["Location"] == "/v1/evidence/S-1"
    body = dict(found.json)
    assert abs(datetime.now(UTC) - datetime.fromisoformat(body.pop("recorded"))) < timedelta(minutes=1)
    assert abs(datetime.now(UTC) - datetime.fromisoformat(body.pop("changed"))) < timedelta(minutes=1)
    it = {"maker": "Ostvik", "model": "Dal", "year": 1965, "condition": {"neck": 2.0}}
    assert body == {
        **SALE,
        "instrument": it,
        "version": 1,
        "withdrawn": None,
        "warnings": [],
        "confirmed": None,
    }
    assert dealer.get("/v1/evidence/S-1").json == found.json


def test_a_second_record_with_an_id_is_refused_withdrawn_or_not(dealer: Caller) -> None:
    record(dealer)
    assert_problem(record(dealer, price="2"), 409, "duplicate")
    dealer.ask("delete", "/v1/evidence/S-1")
    assert_problem(record(dealer), 409, "duplicate")
    assert ids(dealer, "?withdrawn=any") == ["S-1"]


def test_everything_wrong_is_said_at_once_with_its_place(dealer: Caller) -> None:
    it = {"maker": "Ostvik", "model": "Dall", "year": "old", "condition": {"neck": 9}}
    body = {
        **SALE,
        "id": "",
        "kind": "rumour",
        "price": "-1",
        "currency": "EURO",
        "prize": 1,
        "instrument": it,
    }
    found = faults_of(dealer.post("/v1/evidence", body))
    inside = ("model", "year", "condition/neck")
    assert set(found) == {
        *(f"#/{name}" for name in ("id", "kind", "price", "currency", "prize")),
        *(f"#/instrument/{name}" for name in inside),
    }
    assert found["#/instrument/model"]["suggestions"] == ["Dal"]
    assert found["#/prize"]["suggestions"][0] == "price"
    assert ids(dealer) == []


@pytest.mark.parametrize("day", ["2101-01-01", "1800-01-01", "yesterday", 20250601])
def test_a_day_that_cannot_be(dealer: Caller, day: Any) -> None:
    assert set(faults_of(record(dealer, date=day))) == {"#/date"}


def test_today_is_not_the_future_wherever_it_is_today(dealer: Caller) -> None:
    for hours in (-12, 0, 14):  # the last places to begin a day, and the first
        there = datetime.now(timezone(timedelta(hours=hours)))
        found = record(dealer, id=f"at {hours}", date=there.date().isoformat())
        assert found.status_code == 201 and found.json["warnings"] == []
    tomorrow = (there + timedelta(days=1)).date().isoformat()
    assert [one["code"] for one in record(dealer, date=tomorrow).json["warnings"]] == ["date_in_future"]


@pytest.mark.parametrize(
    "id", ["a b", "2021/33", "é", "50%", "?x=1#y", "photo.svg", "'; --", "a//b", "x" * 200]
)
def test_any_id_has_an_address(dealer: Caller, id: str) -> None:
    path = record(dealer, id=id).headers["Location"]
    assert dealer.get(path, Accept="application/json").json["id"] == id
    assert dealer.get(f"{path}/history").json["id"] == id
    assert dealer.ask("delete", path).status_code == 200


@pytest.mark.parametrize("id", [".", "..", "/a", "a/../b", "a/history", "x" * 201, "a\0b", " ", 7, None])
def test_an_id_that_can_have_none_is_refused(dealer: Caller, id: Any) -> None:
    assert set(faults_of(record(dealer, id=id))) == {"#/id"}


def test_sent_again_with_one_idempotency_key_it_is_kept_once_and_answered_alike(dealer: Caller) -> None:
    key = {"Idempotency-Key": "k-1"}
    first = dealer.post("/v1/evidence", SALE, **key)
    dealer.ask("put", "/v1/evidence/S-1", {**SALE, "price": "1"})
    again = dealer.post("/v1/evidence", SALE, **key)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.data == first.data and again.headers["Location"] == first.headers["Location"]
    assert_problem(dealer.post("/v1/evidence", {**SALE, "price": "3"}, **key), 422, "other-body")
    assert_problem(dealer.post("/v1/evidence", SALE, **{"Idempotency-Key": ""}), 400, "idempotency-key")


def test_a_refused_record_does_not_use_the_key_up(dealer: Caller) -> None:
    key = {"Idempotency-Key": "k-2"}
    record(dealer)
    assert_problem(dealer.post("/v1/evidence", SALE, **key), 409, "duplicate")
    assert dealer.post("/v1/evidence", {**SALE, "id": "S-2"}, **key).status_code == 201


def test_thirty_two_at_once_keep_one_record(
    backend: str, new_database: NewDatabase, fake_store: Path
) -> None:
    app = make_app(fake_store, new_database(backend), connections=32, busy_seconds=30)
    caller = caller_of(app, "evidence")
    with ThreadPoolExecutor(32) as pool:
        key = {"Idempotency-Key": "at-once"}
        alike = list(pool.map(lambda _: caller.post("/v1/evidence", SALE, **key), range(32)))
        apart = list(pool.map(lambda _: record(caller, id="S-2"), range(32)))
    assert {found.status_code for found in alike} == {201}
    assert len({found.data for found in alike}) == 1
    assert sorted(found.status_code for found in apart) == [201] + [409] * 31
    assert ids(caller) == ["S-1", "S-2"]
    parts(app).engine.dispose()


# ── changes ──────────────────────────────────────────────────────────────────


def test_a_correction_replaces_the_record_and_keeps_what_it_was(dealer: Caller) -> None:
    record(dealer)
    new = {**SALE, "price": 1750.5, "source": None, "instrument": {"maker": "Ostvik", "model": "Fjell 2"}}
    found = dealer.ask("put", "/v1/evidence/S-1?reason=misread", new)
    assert found.status_code == 200
    assert (found.json["price"], found.json["source"], found.json["version"]) == ("1750.5", "", 2)
    assert found.json["instrument"] == {"maker": "Ostvik", "model": "Fjell 2"}
    assert dealer.get("/v1/evidence/S-1").json == found.json
    before, after = dealer.get("/v1/evidence/S-1/history").json["changes"]
    assert (before["action"], before["record"]["price"], before["reason"]) == ("recorded", "1800.00", None)
    assert (after["action"], after["record"]["price"], after["reason"]) == ("corrected", "1750.5", "misread")


def test_the_history_says_who_and_when(evidence_app: Flask, dealer: Caller) -> None:
    other = caller_of(evidence_app, "evidence")
    record(dealer)
    other.ask("put", "/v1/evidence/S-1", SALE)
    dealer.ask("delete", "/v1/evidence/S-1?reason=never%20paid")
    other.ask("put", "/v1/evidence/S-1", {**SALE, "price": "5"})
    changes = dealer.get("/v1/evidence/S-1/history").json["changes"]
    assert [c["action"] for c in changes] == ["recorded", "corrected", "withdrawn", "reinstated"]
    assert [c["version"] for c in changes] == [1, 2, 3, 4]
    mine, yours = (caller.key.split("_")[1] for caller in (dealer, other) if caller.key)
    assert [c["key"] for c in changes] == [mine, yours, mine, yours]
    moments = [datetime.fromisoformat(c["at"]) for c in changes]
    assert moments == sorted(moments)
    assert [c["record"]["price"] for c in changes] == ["1800.00", "1800.00", "1800.00", "5"]
    assert changes[2]["reason"] == "never paid"


def test_a_correction_keeps_the_id_of_its_path(dealer: Caller) -> None:
    record(dealer)
    found = faults_of(dealer.ask("put", "/v1/evidence/S-1", {**SALE, "id": "S-2"}))
    assert set(found) == {"#/id"}
    bare = {name: value for name, value in SALE.items() if name != "id"}
    assert dealer.ask("put", "/v1/evidence/S-1", bare).json["id"] == "S-1"


def test_a_correction_of_what_is_not_there_makes_nothing(dealer: Caller) -> None:
    assert_problem(dealer.ask("put", "/v1/evidence/S-9", {**SALE, "id": "S-9"}), 404, "record")
    assert ids(dealer, "?withdrawn=any") == []


def test_a_wrong_correction_changes_nothing(dealer: Caller) -> None:
    record(dealer)
    faults_of(dealer.ask("put", "/v1/evidence/S-1", {**SALE, "price": 0}))
    assert len(dealer.get("/v1/evidence/S-1/history").json["changes"]) == 1


def test_what_is_withdrawn_is_gone_but_for_its_history_and_can_come_back(dealer: Caller) -> None:
    record(dealer)
    gone = dealer.ask("delete", "/v1/evidence/S-1")
    assert gone.status_code == 200 and gone.json["withdrawn"] == gone.json["changed"]
    assert_problem(dealer.get("/v1/evidence/S-1"), 410, "withdrawn")
    assert_problem(dealer.ask("delete", "/v1/evidence/S-1"), 410, "withdrawn")
    assert len(dealer.get("/v1/evidence/S-1/history").json["changes"]) == 2
    assert (ids(dealer), ids(dealer, "?withdrawn=true")) == ([], ["S-1"])
    assert dealer.ask("put", "/v1/evidence/S-1", SALE).json["withdrawn"] is None
    assert ids(dealer) == ["S-1"]


def test_a_change_of_what_somebody_else_changed_is_refused(dealer: Caller) -> None:
    record(dealer)
    tag = dealer.get("/v1/evidence/S-1").headers["ETag"]
    assert (
        dealer.ask("put", "/v1/evidence/S-1", {**SALE, "price": "2"}, **{"If-Match": tag}).status_code == 200
    )
    for method, body in (("put", SALE), ("delete", None)):
        late = dealer.ask(method, "/v1/evidence/S-1", body, **{"If-Match": tag})
        assert_problem(late, 412, "precondition")
    assert dealer.get("/v1/evidence/S-1").json["price"] == "2"
    assert dealer.ask("delete", "/v1/evidence/S-1", **{"If-Match": "*"}).status_code == 200


@pytest.mark.parametrize("id", ["nothing", "%00", "x" * 300, "%F0%9F%8E%B8"])
@pytest.mark.parametrize(("method", "end"), [("get", ""), ("get", "/history"), ("delete", ""), ("put", "")])
def test_an_id_that_no_record_has(dealer: Caller, method: str, end: str, id: str) -> None:
    body = {name: value for name, value in SALE.items() if name != "id"} if method == "put" else None
    found = dealer.ask(method, f"/v1/evidence/{id}{end}", body)
    if method == "put" and id in ("%00", "x" * 300):
        faults_of(found)
    else:
        assert_problem(found, 404, "record")


@pytest.mark.parametrize("reason", ["x" * 201, "a%00b"])
def test_a_reason_that_cannot_be_one(dealer: Caller, reason: str) -> None:
    record(dealer)
    assert_problem(dealer.ask("delete", f"/v1/evidence/S-1?reason={reason}"), 422, "fields")
    assert ids(dealer) == ["S-1"]


@pytest.mark.parametrize(
    ("method", "path"), [("post", ""), ("get", ""), ("get", "/S-1"), ("put", "/S-1"), ("delete", "/S-1")]
)
def test_it_needs_its_scope(evidence_app: Flask, method: str, path: str) -> None:
    body = SALE if method in ("post", "put") else None
    found = caller_of(evidence_app, "valuations", "admin").ask(method, f"/v1/evidence{path}", body)
    assert_problem(found, 403, "scope")
