"""The audit: who did what to keys and price models, as long as it was really done."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from apps import NewDatabase, caller_of, keys_of, make_app, parts
from asking import SECRET, Caller, assert_problem
from click.testing import CliRunner
from flask import Flask
from price_models import another, promote, roll_back, store_of
from sqlalchemy.exc import OperationalError

from models.bundles.registry import Change, Registry
from service.cli import main
from service.db import audit
from service.keys.own_form import KEY_ID


@pytest.fixture
def admin(own_app: Flask) -> Caller:
    return caller_of(own_app, "admin")


def id_of(caller: Caller) -> str:
    return (caller.key or "").split("_")[1]


def entries(admin: Caller) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = admin.get("/v1/audit").json["entries"]
    return found


def told(admin: Caller) -> list[tuple[str, str, str]]:
    """Actor, action and object of every entry, newest first."""
    return [(one["actor"], one["action"], one["object"]) for one in entries(admin)]


def test_what_is_done_to_keys_is_recorded_with_who_asked_for_it(own_app: Flask, admin: Caller) -> None:
    began, me = datetime.now(UTC), id_of(admin)
    made = admin.post("/v1/keys", {"label": "the shop", "scopes": ["valuations"]}).json["id"]
    assert admin.post(f"/v1/keys/{made}/rotate", {"overlap_hours": 2}).status_code == 201
    for _ in range(2):  # to revoke it again changes nothing, and is recorded once
        assert admin.post(f"/v1/keys/{made}/revoke", {}).status_code == 200
    assert told(admin) == [
        (me, "key_revoked", made),
        (me, "key_rotated", made),
        (me, "key_created", made),
        ("command", "key_created", me),
    ]
    found = entries(admin)
    assert found[2]["detail"] == "system, valuations, for the shop"
    assert found[1]["detail"] == "older secrets stay valid for 2 hours"
    assert began <= datetime.fromisoformat(found[2]["at"]) <= datetime.now(UTC)
    assert "login " in found[3]["detail"]


def test_a_change_of_the_specialists_settings_is_recorded_without_what_they_say(own_app: Flask) -> None:
    specialist, admin = caller_of(own_app, "requests"), caller_of(own_app, "admin")
    before = told(admin)
    first = {"name": "Ines Falk", "signature": "I. Falk"}
    for sent in (first, first, {"name": "Ines Falk", "email": "ines@example.org"}):
        assert specialist.ask("put", "/v1/specialist", sent).status_code == 200
    late = specialist.ask("put", "/v1/specialist", {}, **{"If-Match": '"another"'})
    assert late.status_code == 412
    added = entries(admin)[: len(told(admin)) - len(before)]
    assert {(one["actor"], one["action"], one["object"]) for one in added} == {
        (id_of(specialist), "specialist_changed", "specialist")
    }
    assert [one["detail"] for one in added] == ["email, signature", "name, signature"]


def test_what_a_new_address_and_a_new_secret_do_to_the_key_of_the_own_form_is_recorded(
    fake_store: Any, new_database: NewDatabase
) -> None:
    database = new_database("sqlite")
    settings = ({}, {"public_url": "https://values.example"}, {"public_url": "https://values.example"})
    for number, more in enumerate(settings):
        secret = "another secret of the tests, also long enough" if number == 2 else SECRET
        app = make_app(fake_store, database, **{"secret": secret, **more})
        for _ in range(2):  # it is written once
            assert app.test_client().get("/form").status_code == 200
        if number < 2:
            parts(app).engine.dispose()
    found = [one for one in entries(caller_of(app, "admin")) if one["object"] == KEY_ID]
    assert [one["action"] for one in found] == ["key_rotated", "key_changed", "key_created"]
    assert found[1]["detail"].startswith("https://values.example in place of http://127.0.0.1:8000")
    parts(app).engine.dispose()


def test_a_change_that_is_refused_is_not_recorded(own_app: Flask, admin: Caller) -> None:
    name = {"Idempotency-Key": "one"}
    for _ in range(3):
        admin.post("/v1/keys", {"label": "shop", "scopes": ["valuations"]}, **name)
    assert admin.post("/v1/keys/00ff00ff00ff/revoke", {}).status_code == 404
    assert admin.post("/v1/keys/00ff00ff00ff/rotate", {}).status_code == 404
    assert len(entries(admin)) == 2


@pytest.mark.parametrize("asked", ["create", "rotate", "revoke"])
def test_a_change_that_cannot_be_recorded_is_not_made(
    own_app: Flask, admin: Caller, asked: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = [vars(entry) for entry in keys_of(own_app).entries()]

    def fail(*_: Any) -> None:
        raise OperationalError("", {}, Exception())

    monkeypatch.setattr(audit, "record", fail)
    path = "/v1/keys" if asked == "create" else f"/v1/keys/{id_of(admin)}/{asked}"
    body = {"label": "shop", "scopes": ["valuations"]} if asked == "create" else {}
    assert admin.post(path, body).status_code == 503
    assert [vars(entry) for entry in keys_of(own_app).entries()] == before


def test_promotions_and_rollbacks_are_recorded(own_app: Flask, admin: Caller) -> None:
    first, second = str(parts(own_app).live.version), another(admin)
    promote(admin, second, who="Ann")
    promote(admin, second)  # it is current already
    roll_back(admin, second)
    me = id_of(admin)
    assert told(admin)[:2] == [(me, "model_rolled_back", first), (me, "model_promoted", second)]
    assert len(entries(admin)) == 3
    assert entries(admin)[1]["detail"] == f"in place of {first}, by Ann (key {me}): newer sales"


def test_a_promotion_that_another_races_describes_its_own_change(
    own_app: Flask, admin: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second, third = str(parts(own_app).live.version), another(admin), another(admin, 9.5)
    real = Registry.promote

    def raced(self: Registry, version: str, *, who: str, why: str) -> Change:
        made = real(self, version, who=who, why=why)
        real(self, third, who="Bo", why="faster")
        return made

    monkeypatch.setattr(Registry, "promote", raced)
    made = promote(admin, second, who="Ann").json
    assert (made["version"], made["before"], made["why"], made["done"]) == (
        second,
        first,
        "newer sales",
        True,
    )
    assert made["who"].startswith("Ann") and made["serving"] == third
    assert told(admin)[0][1:] == ("model_promoted", second)


def test_a_promotion_that_was_made_and_then_raced_is_described_when_asked_again(
    admin: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    second = another(admin)
    promote(admin, second, who="Ann")
    real = Registry.history

    def later(self: Registry) -> tuple[Change, ...]:
        return (*real(self), Change("2026-01-02T00:00:00Z", "promote", "other", second, "Bo", "faster"))

    monkeypatch.setattr(Registry, "history", later)
    again = promote(admin, second).json
    assert (again["done"], again["version"]) == (False, second) and again["who"].startswith("Ann")


def test_a_promotion_is_not_made_while_the_database_does_not_answer(
    admin: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = parts(admin.app).live.version, another(admin)

    def fail(*_: Any) -> None:
        raise OperationalError("", {}, Exception())

    monkeypatch.setattr("service.api.price_models.changes.writing", fail)
    assert_problem(promote(admin, second), 503, "no-database")
    assert Registry(store_of(admin)).current().version == first


# ── reading it ───────────────────────────────────────────────────────────────


def test_it_is_read_in_pages_by_admin_alone(own_app: Flask, admin: Caller) -> None:
    for at in range(4):
        keys_of(own_app).create(f"key {at}", ["valuations"])
    first = admin.get("/v1/audit?limit=3")
    assert [one["detail"].split(";")[0][-5:] for one in first.json["entries"]] == ["key 3", "key 2", "key 1"]
    assert first.headers["Cache-Control"] == "no-store"
    link = first.headers["Link"].partition(">")[0].lstrip("<")
    second = admin.get(link)
    assert len(second.json["entries"]) == 2 and "Link" not in second.headers
    for scope in ("valuations", "evidence", "inventory", "metrics"):
        assert_problem(caller_of(own_app, scope).get("/v1/audit"), 403, "scope")
    assert admin.get("/v1/audit?actor=x").status_code == 422


def test_it_is_kept_on_both_databases(backend: str, new_database: NewDatabase, fake_store: Any) -> None:
    admin = caller_of(make_app(fake_store, new_database(backend)), "admin")
    made = admin.post("/v1/keys", {"label": "shop", "scopes": ["valuations"]}).json["id"]
    assert told(admin) == [(id_of(admin), "key_created", made), ("command", "key_created", id_of(admin))]
    parts(admin.app).engine.dispose()


def test_the_command_lists_it(own_app: Flask, admin: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    found = parts(own_app).settings
    for name, value in (("STORE", str(found.store)), ("DATABASE", found.database), ("SECRET", SECRET)):
        monkeypatch.setenv(f"BOOKMATCH_{name}", value)
    made = admin.post("/v1/keys", {"label": "the shop", "scopes": ["valuations"]}).json["id"]
    said = CliRunner().invoke(main, ["audit"])
    newest = said.stdout.splitlines()[0].split("  ")
    assert newest[1:] == [id_of(admin), "key_created", made, "system, valuations, for the shop"]
    assert len(CliRunner().invoke(main, ["audit", "--last", "1"]).stdout.splitlines()) == 1
    rows = json.loads(CliRunner().invoke(main, ["audit", "--json"]).stdout)
    assert [row["object"] for row in rows] == [made, id_of(admin)]
