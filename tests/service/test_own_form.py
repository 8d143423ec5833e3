"""The key of the service's own form, the fragment for other pages, and the files of all pages."""

from __future__ import annotations

from typing import Any

import pytest
from apps import NewDatabase, keys_of, make_app, parts
from asking import Caller
from flask import Flask
from owner_pages import Parsed, send
from websites import HERE, SITE, form_of

from models.domain.vocabulary import BY_PATH, Family, Field, Kind, Term
from service.form.fields import of_instrument
from service.keys.own_form import KEY_ID, key_of


def form(app: Flask, language: str = "en", **headers: str) -> Parsed:
    found = app.test_client().get(f"/form?language={language}", headers=headers)
    assert found.status_code == 200
    return Parsed(found.text)


# ── its key ──────────────────────────────────────────────────────────────────


def own_key(app: Flask) -> str:
    (script,) = form(app).named("script")
    return str(script["data-key"])


def test_its_key_is_made_when_it_is_first_needed_and_works_from_its_own_page(own_app: Flask) -> None:
    assert [entry.id for entry in keys_of(own_app).entries()] == []
    key = own_key(own_app)
    assert key == own_key(own_app) == key_of(parts(own_app).settings.secret)
    (entry,) = keys_of(own_app).entries()
    assert (entry.id, entry.origins, len(entry.secrets)) == (KEY_ID, "http://127.0.0.1:8000", 1)
    own = Caller(own_app, key)
    for headers in ({}, {"Origin": "http://localhost"}, {"Origin": "http://127.0.0.1:8000"}):
        assert own.get("/v1/catalogue", **headers).status_code == 200
    assert own.get("/v1/catalogue", Origin="https://elsewhere.example").status_code == 403
    assert own.get("/v1/keys").status_code == 403
    assert form_of(own_app).get("/v1/catalogue").status_code == 403  # other keys need their origin


def test_revoking_its_key_switches_the_form_off(own_app: Flask) -> None:
    own_key(own_app)
    keys_of(own_app).revoke(KEY_ID)
    client = own_app.test_client()
    for answer in (client.get("/form"), send(own_app)):
        assert answer.status_code == 404 and "This form is closed at the moment" in answer.text
    assert KEY_ID not in [entry.id for entry in keys_of(own_app).entries() if entry.revoked is None]


def test_its_key_follows_the_public_address_and_the_secret(
    own_app: Flask, new_database: NewDatabase, store: Any
) -> None:
    own_key(own_app)
    database = parts(own_app).settings.database
    moved = make_app(store, database, public_url="https://values.example", key_seconds=0)
    own_key(moved)
    (entry,) = keys_of(moved).entries()
    assert entry.origins == "https://values.example"
    parts(moved).engine.dispose()


# ── the fragment and the files ───────────────────────────────────────────────


def test_only_pages_of_origins_with_a_key_can_read_the_fragment(own_app: Flask) -> None:
    form_of(own_app)
    client = own_app.test_client()
    own = client.get("/form/fragment?language=de", headers=HERE)
    assert own.headers["Access-Control-Allow-Origin"] == SITE and "Origin" in own.headers["Vary"]
    assert 'lang="de"' in own.text and "<html" not in own.text
    for headers in ({}, {"Origin": "https://elsewhere.example"}):
        assert "Access-Control-Allow-Origin" not in client.get("/form/fragment", headers=headers).headers


def test_files_are_kept_under_addresses_that_change_with_them(own_app: Flask) -> None:
    page = form(own_app)
    client = own_app.test_client()
    addresses = [str(one["src"]) for one in (*page.named("img"), *page.named("script"))]
    addresses += [str(one["href"]) for one in page.named("link") if one["rel"] == "stylesheet"]
    assert len(set(addresses)) > 20
    for address in set(addresses):
        found = client.get(address)
        assert found.status_code == 200 and found.headers["Access-Control-Allow-Origin"] == "*"
        assert "immutable" in found.headers["Cache-Control"]
        assert "unsafe" not in found.headers["Content-Security-Policy"]
    mark = addresses[0].split("/")[3]
    old = client.get(addresses[0].replace(mark, "0" * 12))
    assert old.status_code == 200 and "immutable" not in old.headers["Cache-Control"]
    assert "immutable" not in client.get("/form/embed.js").headers["Cache-Control"]
    for path in ("../routes.py", "drawings", "", "%2e%2e/routes.py"):
        assert client.get(f"/form/files/{mark}/{path}").status_code == 404


def test_files_count_towards_no_limit_and_pages_do(store: Any, new_database: NewDatabase) -> None:
    app = make_app(store, new_database("sqlite"), limit_address=5)
    client = app.test_client()
    for _ in range(20):
        assert client.get("/form/embed.js").status_code == 200
    answers = [client.get("/form").status_code for _ in range(6)]
    assert answers == [200] * 5 + [429]
    assert "try again in" in client.get("/form").text
    parts(app).engine.dispose()


def test_a_later_post_without_script_is_told_when_to_come_back(store: Any, new_database: NewDatabase) -> None:
    app = make_app(store, new_database("sqlite"), limit_unproved_requests=1)
    assert send(app).status_code == 303
    again = send(app)
    assert again.status_code == 429 and again.headers["Retry-After"] == "3600"
    parts(app).engine.dispose()


def test_a_field_without_a_text_of_its_own_is_asked_in_the_words_of_the_vocabulary(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terms = (Term("yes", "it has one"), Term("cut", "it was cut"))
    strap = Field(
        "condition.strap", Kind.TERM, Family.CONDITION, "strap", "the strap that comes with it", terms
    )
    monkeypatch.setitem(BY_PATH, "condition.strap", strap)
    field = of_instrument.__wrapped__("condition.strap", "de")
    assert (field.label, field.help) == ("Strap", "The strap that comes with it")
    assert [(one.value, one.label) for one in field.choices[1:]] == [
        ("yes", "It has one"),
        ("cut", "It was cut"),
    ]
