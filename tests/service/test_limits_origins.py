"""Limits and who is asking: other people's pages, preflights and unknown keys use up nobody else's quota."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, keys_of, make_app, parts
from asking import DAL, Caller, assert_problem
from flask import Flask
from statements import counted
from websites import HERE, OTHER, form_of

ASKED = {
    "Access-Control-Request-Method": "POST",
    "Access-Control-Request-Headers": "authorization,content-type",
}


@pytest.fixture
def limited(fake_store: Path, new_database: NewDatabase) -> Iterator[Flask]:
    """An application with small quotas: 4 of a visitor and of an address, 8 of a website key."""
    limits = {"limit_visitor": 4, "limit_address": 4, "limit_website": 8}
    app = make_app(fake_store, new_database("sqlite"), **limits, key_seconds=60)
    yield app
    parts(app).engine.dispose()


def ask(caller: Caller, address: str, **headers: str) -> Any:
    place = {"REMOTE_ADDR": address}
    kind = {"Content-Type": "application/json"}
    return caller.client.post(
        "/v1/valuations", json=DAL, headers=caller.headers({**kind, **headers}), environ_base=place
    )


def preflight(app: Flask, address: str, origin: str) -> Any:
    place = {"REMOTE_ADDR": address}
    return app.test_client().options(
        "/v1/valuations", headers={"Origin": origin, **ASKED}, environ_base=place
    )


def test_requests_of_foreign_origins_leave_the_form_its_quota(limited: Flask) -> None:
    form = form_of(limited)
    for at in range(600):
        found = ask(form, f"198.51.100.{at % 200}", Origin=OTHER)
        assert found.status_code == 403 and '"address"' in found.headers["RateLimit-Policy"]
    for _ in range(4):
        assert ask(form, "192.0.2.7", **HERE).status_code == 201


def test_requests_of_a_foreign_origin_count_against_the_address_that_sends_them(limited: Flask) -> None:
    form = form_of(limited)
    statuses = [ask(form, "198.51.100.1", Origin=OTHER).status_code for _ in range(6)]
    assert statuses == [403] * 4 + [429] * 2
    assert ask(Caller(limited, None), "198.51.100.1").status_code == 429  # one count for both
    # The form itself goes on working from there: its visitor is not to blame.
    assert ask(form, "198.51.100.1", **HERE).status_code == 201


def test_a_form_without_an_origin_counts_as_a_foreign_one(limited: Flask) -> None:
    form = form_of(limited)
    assert [ask(form, "198.51.100.1").status_code for _ in range(5)] == [403] * 4 + [429]


def test_preflights_of_a_form_take_nothing_from_its_visitor(limited: Flask) -> None:
    form = form_of(limited)
    for _ in range(4):
        assert preflight(limited, "192.0.2.7", HERE["Origin"]).status_code == 204
        assert ask(form, "192.0.2.7", **HERE).status_code == 201
    assert_problem(ask(form, "192.0.2.7", **HERE), 429, "limit")


def test_preflights_of_foreign_origins_count_against_the_address(limited: Flask) -> None:
    form = form_of(limited)
    statuses = [preflight(limited, "198.51.100.1", OTHER).status_code for _ in range(5)]
    assert statuses == [200] * 4 + [429]
    assert ask(form, "198.51.100.1", **HERE).status_code == 201


# ── keys that nobody knows ───────────────────────────────────────────────────


def made_up(app: Flask) -> Caller:
    """A caller whose key has the right form and is not there."""
    return Caller(app, f"bmk_{secrets.token_hex(6)}_{secrets.token_urlsafe(32)}")


def test_past_its_limit_an_address_has_no_more_keys_looked_up(limited: Flask) -> None:
    for _ in range(4):
        assert_problem(ask(made_up(limited), "198.51.100.1"), 401, "key-invalid")
    assert_problem(ask(made_up(limited), "198.51.100.1"), 429, "limit")
    with counted(limited) as sent:
        for _ in range(20):
            assert_problem(ask(made_up(limited), "198.51.100.1"), 429, "limit")
    assert sent == []
    with counted(limited) as sent:
        assert_problem(ask(made_up(limited), "198.51.100.2"), 401, "key-invalid")
    assert sent == ["SELECT api_key.kind, api_key.scopes,"]


def test_nor_has_it_a_key_that_was_revoked(limited: Flask) -> None:
    key_id, key = keys_of(limited).create("lost", ["valuations"])
    lost = Caller(limited, key)
    assert ask(lost, "198.51.100.1").status_code == 201
    keys_of(limited).revoke(key_id)
    parts(limited).callers.forget()
    assert [ask(lost, "198.51.100.1").status_code for _ in range(5)] == [401] * 4 + [429]
    with counted(limited) as sent:
        assert ask(lost, "198.51.100.1").status_code == 429
    assert sent == []


def test_a_good_key_that_was_never_seen_here_is_answered_all_the_same(limited: Flask) -> None:
    good = caller_of(limited)
    for _ in range(6):
        ask(made_up(limited), "198.51.100.1")
    assert ask(good, "198.51.100.1").status_code == 201


def test_a_key_that_was_made_after_the_limit_was_reached_is_found(limited: Flask) -> None:
    for _ in range(6):
        ask(made_up(limited), "198.51.100.1")
    admin = caller_of(limited, "admin")
    made = admin.post("/v1/keys", {"label": "new", "scopes": ["valuations"]}).json["key"]
    assert ask(Caller(limited, made), "198.51.100.1").status_code == 201
