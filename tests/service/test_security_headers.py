"""Headers by which browsers and caches treat answers with caution, and who is told how the service is."""

from __future__ import annotations

import pytest
from apps import NewDatabase, caller_of, make_app, parts, paths
from asking import DAL, Caller, assert_problem
from flask import Flask
from sqlalchemy import text
from statements import counted
from websites import HERE, form_of

from models.bundles.folder import CURRENT

HSTS = "Strict-Transport-Security"
BY_TLS = {"X-Forwarded-For": "198.51.100.1", "X-Forwarded-Proto": "https"}


def directives(policy: str) -> dict[str, str]:
    return dict(part.strip().partition(" ")[::2] for part in policy.split(";"))


# ── browsers ─────────────────────────────────────────────────────────────────


def test_every_answer_has_them_once(caller: Caller) -> None:
    asked = 0
    for path, method in [
        *paths(caller.app),
        ("/nowhere", "GET"),
        ("/docs", "OPTIONS"),
        ("/v1/keys", "PATCH"),
    ]:
        for known in (caller, Caller(caller.app, None)):
            found = known.ask(method, path)
            for name, value in (("X-Content-Type-Options", "nosniff"), ("Referrer-Policy", "no-referrer")):
                assert found.headers.getlist(name) == [value], path
            (policy,) = found.headers.getlist("Content-Security-Policy")
            said = directives(policy)
            page = path == "/form" or path.startswith("/follow")  # theirs is held to in `test_form.py`
            none = ("default-src", "base-uri", "frame-ancestors", *(() if page else ("form-action",)))
            assert all(said[name] == "'none'" for name in none), path
            assert page or "script-src" not in said
            assert "unsafe-inline" not in said.get("script-src", "") and HSTS not in found.headers
            asked += 1
    assert asked > 80


def test_only_pages_and_pictures_may_have_a_style(shared_app: Flask) -> None:
    caller = caller_of(shared_app, "valuations", "admin")
    picture = caller.value({}).headers["Location"] + "/waterfall.svg"
    card = "/v1/price-models/current/card.html"
    for path, styled in (("/docs", True), (card, True), (picture, True), ("/v1/vocabulary", False)):
        found = caller.get(path, Accept="*/*")
        assert found.status_code == 200
        said = directives(found.headers["Content-Security-Policy"])
        assert ("style-src" in said, "img-src" in said) == (styled, styled), path


def test_a_304_leaves_a_kept_page_its_policy(caller: Caller) -> None:
    tag = caller.get("/docs").headers["ETag"]
    again = caller.get("/docs", **{"If-None-Match": tag})
    assert again.status_code == 304 and "Content-Security-Policy" not in again.headers


@pytest.mark.parametrize(("proxies", "said"), [(0, False), (1, True), (2, True)])
def test_browsers_are_told_to_stay_with_tls_where_there_is_tls(
    new_database: NewDatabase, fake_store: object, proxies: int, said: bool
) -> None:
    app = make_app(fake_store, new_database("sqlite"), proxies=proxies)  # type: ignore[arg-type]
    nobody = Caller(app, None)
    assert (HSTS in nobody.get("/docs", **BY_TLS).headers) is said
    assert HSTS not in nobody.get("/docs", **{**BY_TLS, "X-Forwarded-Proto": "http"}).headers
    assert HSTS not in nobody.get("/docs").headers
    if said:
        assert nobody.get("/docs", **BY_TLS).headers[HSTS] == "max-age=31536000"
    parts(app).engine.dispose()


# ── caches ───────────────────────────────────────────────────────────────────


def test_no_cache_keeps_what_was_posted_nor_anything_about_keys(own_app: Flask) -> None:
    caller, admin = caller_of(own_app), caller_of(own_app, "admin")
    made = admin.post("/v1/keys", {"label": "shop", "scopes": ["valuations"]})
    key = f"/v1/keys/{made.json['id']}"
    for secret in (made, admin.post(f"{key}/rotate", {})):
        assert secret.headers.getlist("Cache-Control") == ["no-store, no-transform"]
    for found in (
        admin.get("/v1/keys"),
        admin.get(key),
        admin.post(f"{key}/revoke", {}),
        caller.value({}),
        caller.post("/v1/intervals", DAL),
        caller.post("/v1/intervals", {}),
        caller.post("/v1/stocklists", "id,maker,model\n", **{"Content-Type": "text/csv"}),
        form_of(own_app).post("/v1/valuations", DAL, **HERE),
        caller.client.options("/v1/valuations"),
    ):
        assert found.headers.getlist("Cache-Control") == ["no-store"]
        found.close()


# ── how the service is ───────────────────────────────────────────────────────


def test_a_stranger_is_told_whether_it_is_ready_and_no_more(own_app: Flask) -> None:
    strangers = [Caller(own_app, None), Caller(own_app, "bmk_000000000000_x"), form_of(own_app)]
    strangers += [caller_of(own_app, scope) for scope in ("valuations", "evidence", "inventory")]
    for stranger in strangers:
        found = stranger.get("/readyz", **HERE)
        assert (found.status_code, found.json) == (200, {"status": "ready"})
    with parts(own_app).engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'older'"))
    (parts(own_app).settings.store / CURRENT).write_text("{")
    parts(own_app).live.look()
    for stranger in strangers:
        body = assert_problem(stranger.get("/readyz", **HERE), 503, "not-ready")
        assert "checks" not in body
        assert not any(word in str(body) for word in ("older", "migrate", "database", "disk", "CURRENT"))


@pytest.mark.parametrize("scope", ["metrics", "admin"])
def test_an_operator_is_told_all(own_app: Flask, scope: str) -> None:
    operator = caller_of(own_app, scope)
    assert set(operator.get("/readyz").json["checks"]) == {"model", "database", "disk", "limits"}
    with parts(own_app).engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'older'"))
    body = assert_problem(operator.get("/readyz"), 503, "not-ready")
    assert body["checks"]["database"]["revision"] == "older" and "database" in body["detail"]


def test_made_up_keys_cannot_make_readiness_ask_the_database_for_ever(
    new_database: NewDatabase, fake_store: object
) -> None:
    app = make_app(fake_store, new_database("sqlite"), limit_address=3)  # type: ignore[arg-type]
    guesses = [Caller(app, f"bmk_00000000000{at}_x").get("/readyz").status_code for at in range(5)]
    assert guesses == [200] * 3 + [429] * 2
    assert Caller(app, None).get("/readyz").status_code == 200  # who sends none is always answered
    with counted(app) as sent:
        assert Caller(app, "bmk_00000000000f_x").get("/readyz").status_code == 429
    assert sent == []
    parts(app).engine.dispose()
