"""Keys over HTTP: made, listed, rotated and revoked by a key with the scope admin."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import pytest
from apps import caller_of, keys_of
from asking import Caller, assert_problem, faults_of
from flask import Flask

SITE = "https://guitars.example"


@pytest.fixture
def admin(own_app: Flask) -> Caller:
    return caller_of(own_app, "admin")


def make(admin: Caller, **asked: Any) -> dict[str, Any]:
    found = admin.post("/v1/keys", {"label": "the shop", "scopes": ["valuations"], **asked})
    assert found.status_code == 201, found.text
    assert found.headers["Location"] == f"/v1/keys/{found.json['id']}"
    assert found.headers["Cache-Control"] == "no-store, no-transform"
    body: dict[str, Any] = found.json
    return body


def test_only_admin_may(own_app: Flask) -> None:
    caller = caller_of(own_app, "valuations", "evidence", "inventory")
    key_id = (caller.key or "").split("_")[1]
    asked = [
        caller.get("/v1/keys"),
        caller.get(f"/v1/keys/{key_id}"),
        caller.post("/v1/keys", {"label": "mine", "scopes": ["admin"]}),
        caller.post(f"/v1/keys/{key_id}/rotate", {}),
        caller.post(f"/v1/keys/{key_id}/revoke", {}),
    ]
    for found in asked:
        assert_problem(found, 403, "scope")
    assert len(keys_of(own_app).entries()) == 1


def test_a_key_is_made_opens_is_rotated_and_revoked(own_app: Flask, admin: Caller) -> None:
    made = make(admin)
    assert Caller(own_app, made["key"]).value({}).status_code == 201
    rotated = admin.post(f"/v1/keys/{made['id']}/rotate", {"overlap_hours": 1})
    assert (rotated.status_code, rotated.json["id"]) == (201, made["id"])
    assert rotated.json["key"] != made["key"]
    old, new = rotated.json["secrets"]
    assert new["expires"] is None
    ends = datetime.fromisoformat(old["expires"]) - datetime.fromisoformat(new["created"])
    assert 3590 <= ends.total_seconds() <= 3610
    for key in (made["key"], rotated.json["key"]):
        assert Caller(own_app, key).value({}).status_code == 201
    revoked = admin.post(f"/v1/keys/{made['id']}/revoke", {})
    assert revoked.status_code == 200 and revoked.json["revoked"]
    assert admin.post(f"/v1/keys/{made['id']}/revoke", {}).data == revoked.data  # again: nothing happens
    for key in (made["key"], rotated.json["key"]):
        assert_problem(Caller(own_app, key).value({}), 401, "key-invalid")
    assert_problem(admin.post(f"/v1/keys/{made['id']}/rotate", {}), 409, "key-revoked")


def test_the_worker_that_changed_a_key_knows_at_once(own_app: Flask, admin: Caller) -> None:
    own_app.extensions["bookmatch"].callers._seconds = 300.0
    made = make(admin)
    assert Caller(own_app, made["key"]).get("/v1/vocabulary").status_code == 200
    assert admin.post(f"/v1/keys/{made['id']}/rotate", {"overlap_hours": 0}).status_code == 201
    assert_problem(Caller(own_app, made["key"]).get("/v1/vocabulary"), 401, "key-invalid")


def test_lists_show_who_and_when_and_never_a_secret(own_app: Flask, admin: Caller) -> None:
    made = make(admin)
    Caller(own_app, made["key"]).get("/v1/vocabulary")
    own_app.extensions["bookmatch"].callers.write_uses()
    listed = admin.get("/v1/keys")
    assert made["key"] not in listed.text and made["key"].split("_", 2)[2] not in listed.text
    first, second = listed.json["keys"]
    assert (first["scopes"], first["made_by"]) == (["admin"], None)
    assert (second["label"], second["made_by"], second["revoked"]) == ("the shop", first["id"], None)
    assert second["used"] and second["used"] == second["secrets"][0]["used"]
    assert admin.get(f"/v1/keys/{second['id']}").json == second
    assert "key" not in second and "digest" not in json.dumps(second)
    assert_problem(admin.get("/v1/keys/000000000000"), 404, "record")
    assert_problem(admin.get("/v1/keys/%00"), 404, "record")


def test_an_idempotency_key_makes_one_key_and_shows_it_once(own_app: Flask, admin: Caller) -> None:
    header, body = {"Idempotency-Key": "k-1"}, {"label": "once", "scopes": ["valuations"]}
    made = admin.post("/v1/keys", body, **header)
    again = assert_problem(admin.post("/v1/keys", body, **header), 409, "shown-once")
    assert made.json["id"] in again["detail"] and made.json["key"] not in json.dumps(again)
    assert_problem(admin.post("/v1/keys", {**body, "label": "other"}, **header), 422, "other-body")
    assert [entry.label for entry in keys_of(own_app).entries()] == ["tests", "once"]
    path = f"/v1/keys/{made.json['id']}/rotate"
    assert admin.post(path, {}, **header).status_code == 201
    assert_problem(admin.post(path, {}, **header), 409, "shown-once")
    assert len(keys_of(own_app).entry(made.json["id"]).secrets) == 2


@pytest.mark.parametrize(
    ("asked", "pointers"),
    [
        ({}, {"#/label"}),
        ({"label": "", "scopes": ["valuations"]}, {"#/label"}),
        ({"label": "x" * 201, "scopes": []}, {"#/label", "#/scopes"}),
        ({"label": "a\x00b", "scopes": ["everything"]}, {"#/label", "#/scopes"}),
        ({"label": "a", "scopes": "valuations"}, {"#/scopes"}),
        ({"label": "a", "scopes": [1]}, {"#/scopes"}),
        ({"label": "a", "kind": "website", "origins": [SITE], "scopes": {}}, {"#/scopes"}),
        ({"label": "a", "scopes": ["valuations"], "origins": False}, {"#/origins"}),
        ({"label": "a", "scopes": ["valuations"], "origins": [SITE]}, {"#/origins"}),
        ({"label": "a", "kind": "public"}, {"#/kind"}),
        ({"label": "a", "kind": []}, {"#/kind"}),
        ({"label": "a", "kind": "website"}, {"#/origins"}),
        ({"label": "a", "kind": "website", "scopes": ["admin"], "origins": [SITE]}, {"#/scopes"}),
        ({"label": "a", "kind": "website", "origins": [SITE, "*"]}, {"#/origins"}),
        ({"label": "a", "kind": "website", "origins": [SITE] * 21}, {"#/origins"}),
        ({"label": "a", "scopes": ["valuations"], "id": "mine"}, {"#/id"}),
    ],
)
def test_what_is_wrong_with_a_key_is_said_at_once(
    admin: Caller, asked: dict[str, Any], pointers: set[str]
) -> None:
    assert set(faults_of(admin.post("/v1/keys", asked))) == pointers


@pytest.mark.parametrize("hours", [-1, 721, "24", True, [1]])
def test_an_overlap_that_is_none(admin: Caller, hours: Any) -> None:
    made = make(admin)
    found = admin.post(f"/v1/keys/{made['id']}/rotate", {"overlap_hours": hours})
    assert set(faults_of(found)) == {"#/overlap_hours"}


@pytest.mark.parametrize(
    "origin",
    [
        "*",
        "null",
        "https://",
        "guitars.example",
        "https://guitars.example/",
        "https://guitars.example/form",
        "https://Guitars.example",
        "https://*.guitars.example",
        "https://guitars.example:443",
        "http://guitars.example:80",
        "https://guitars.example:0",
        "ftp://guitars.example",
        "https://gui tars.example",
        "https://me@guitars.example",
        "https://guitars.example\nhttps://other.example",
        "https://gitárok.example",
    ],
)
def test_what_no_browser_sends_is_no_origin(admin: Caller, origin: str) -> None:
    found = admin.post("/v1/keys", {"label": "form", "kind": "website", "origins": [origin]})
    assert set(faults_of(found)) == {"#/origins"}


def test_null_is_the_same_as_nothing(admin: Caller) -> None:
    made = make(admin, kind=None, origins=None)
    assert made["kind"] == "system"
    assert admin.post(f"/v1/keys/{made['id']}/rotate", {"overlap_hours": None}).status_code == 201


def test_what_browsers_send_is_one(admin: Caller) -> None:
    origins = [
        "https://xn--gitrok-pta.example",
        "http://127.0.0.1:8080",
        "http://[::1]:3000",
        "http://localhost",
    ]
    made = make(admin, kind="website", scopes=[], origins=origins)
    assert made["origins"] == sorted(origins) and made["key"].startswith("bmkw_")
