"""Pages of allowed origins may read answers; browsers are told so first, and the methods of each path."""

from __future__ import annotations

from typing import Any

import pytest
from apps import caller_of, keys_of, parts
from asking import DAL, Caller, assert_problem
from flask import Flask
from websites import HERE, OPEN, OTHER, SITE, form_of

MINE = "Access-Control-Allow-Origin"
ASKED = {
    "Access-Control-Request-Method": "POST",
    "Access-Control-Request-Headers": "authorization,content-type,idempotency-key",
}


def preflight(app: Flask, path: str, origin: str = SITE, **more: str) -> Any:
    return app.test_client().options(path, headers={"Origin": origin, **ASKED, **more})


def words(found: Any, header: str) -> set[str]:
    return {word.strip().lower() for word in found.headers.get(header, "").split(",")} - {""}


def of_cors(found: Any) -> set[str]:
    return {name for name, _ in found.headers if name.startswith("Access-Control")}


def test_it_is_off_until_there_is_a_publishable_key(own_app: Flask) -> None:
    caller = caller_of(own_app)
    assert of_cors(preflight(own_app, "/v1/valuations")) == set()
    assert of_cors(caller.post("/v1/valuations", DAL, **HERE)) == set()
    form_of(own_app)
    assert preflight(own_app, "/v1/valuations").headers[MINE] == SITE
    assert caller.post("/v1/valuations", DAL, **HERE).headers[MINE] == SITE


def test_a_browser_is_told_what_is_really_allowed(shared_app: Flask) -> None:
    form_of(shared_app)
    found = preflight(shared_app, "/v1/valuations")
    assert (found.status_code, found.data) == (204, b"")
    assert words(found, "Access-Control-Allow-Methods") == {"post"}
    assert words(found, "Access-Control-Allow-Headers") >= words_of(ASKED["Access-Control-Request-Headers"])
    assert "*" not in "".join(found.headers[name] for name in of_cors(found))
    assert "Access-Control-Allow-Credentials" not in found.headers
    assert words(found, "Vary") >= {"origin", *(name.lower() for name in ASKED)}
    found = preflight(shared_app, "/v1/catalogue/makers/Ostvik")
    assert words(found, "Access-Control-Allow-Methods") == {"get", "head"}


def words_of(text: str) -> set[str]:
    return set(text.split(","))


def test_what_is_open_to_a_form_and_nothing_else_is_open_to_its_page(shared_app: Flask) -> None:
    form_of(shared_app)
    allowed = set()
    for rule in shared_app.url_map.iter_rules():
        path = rule.rule.replace("<name:maker>", "Ostvik").replace("<name:model>", "Dal")
        methods = words(preflight(shared_app, path), "Access-Control-Allow-Methods")
        allowed |= {(method.upper(), path) for method in methods - {"head"}}
    assert allowed == OPEN


@pytest.mark.parametrize(
    "origin", [OTHER, "null", f"{SITE}/", f"{SITE}:8443", f"{SITE}.evil.example", SITE.upper()]
)
def test_another_origin_reads_nothing(shared_app: Flask, origin: str) -> None:
    form = form_of(shared_app)
    found = preflight(shared_app, "/v1/valuations", origin)
    assert of_cors(found) == set() and "origin" in words(found, "Vary")
    refused = form.post("/v1/valuations", DAL, Origin=origin)
    assert_problem(refused, 403, "origin")
    assert of_cors(refused) == set() and "origin" in words(refused, "Vary")


def test_a_page_can_read_its_answers_and_its_problems(shared_app: Flask) -> None:
    form = form_of(shared_app)
    made = form.post("/v1/valuations", DAL, **HERE)
    wrong = form.post("/v1/valuations", {"instrument": {}}, **HERE)
    unknown = Caller(shared_app, "bmkw_000000000000_x").post("/v1/valuations", DAL, **HERE)
    had = form.get("/v1/vocabulary", **HERE)
    same = form.get("/v1/vocabulary", **HERE, **{"If-None-Match": had.headers["ETag"]})
    assert [found.status_code for found in (made, wrong, unknown, had, same)] == [201, 422, 401, 200, 304]
    for found in (made, wrong, unknown, had, same):
        assert found.headers[MINE] == SITE and "origin" in words(found, "Vary")
    wanted = {"location", "retry-after", "ratelimit", "ratelimit-policy", "x-request-id", "etag"}
    assert words(made, "Access-Control-Expose-Headers") == wanted


def test_a_key_used_on_another_customers_page_is_refused_and_the_page_can_read_why(own_app: Flask) -> None:
    form, _ = form_of(own_app), form_of(own_app, OTHER)
    refused = form.post("/v1/valuations", DAL, Origin=OTHER)
    assert_problem(refused, 403, "origin")
    assert refused.headers[MINE] == OTHER


def test_an_origin_is_gone_with_its_last_key(own_app: Flask) -> None:
    first, second = form_of(own_app), form_of(own_app)
    for form, still in ((first, True), (second, False)):
        keys_of(own_app).revoke((form.key or "").split("_")[1])
        assert (MINE in preflight(own_app, "/v1/valuations").headers) is still


def test_origins_are_known_while_the_database_does_not_answer(
    own_app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sqlalchemy.exc import OperationalError

    form_of(own_app)
    assert preflight(own_app, "/v1/valuations").headers[MINE] == SITE

    def gone(*_: Any) -> None:
        raise OperationalError("", {}, Exception())

    monkeypatch.setattr("service.keys.callers.reading", gone)
    parts(own_app).callers.forget()
    assert preflight(own_app, "/v1/valuations").headers[MINE] == SITE


def test_a_path_that_is_not_there_and_one_that_needs_no_key(shared_app: Flask) -> None:
    form_of(shared_app)
    assert_problem(preflight(shared_app, "/v1/nowhere"), 404, "path")
    for path in ("/docs", "/openapi.json", "/healthz"):
        assert of_cors(preflight(shared_app, path)) == set()


# ── OPTIONS and HEAD ─────────────────────────────────────────────────────────


def methods_of(app: Flask) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for rule in app.url_map.iter_rules():
        if rule.rule.startswith("/desk"):  # pages, which have tests of their own
            continue
        path = rule.rule.replace("<name:maker>", "Ostvik").replace("<name:model>", "Dal")
        found.setdefault(path, set()).update(rule.methods or ())
    return found


def test_options_and_a_wrong_method_name_every_method_of_a_path(shared_app: Flask) -> None:
    client = shared_app.test_client()
    for path, methods in methods_of(shared_app).items():
        plain = client.options(path)
        allowed = words(plain, "Allow")
        assert plain.status_code == 200 and allowed >= {method.lower() for method in methods}
        for method in ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "TRACE"):
            found = client.open(path, method=method)
            assert (found.status_code == 405) is (method.lower() not in allowed), (method, path)
            if found.status_code == 405:
                assert words(found, "Allow") == allowed


def test_head_says_what_get_says_without_the_body(shared_app: Flask) -> None:
    caller = caller_of(shared_app, "valuations", "evidence", "admin", "metrics")
    kept = caller.value({}).json["id"]
    own = {"X-Request-ID", "RateLimit", "Date", "traceparent"}
    for path, methods in methods_of(shared_app).items():
        assert ("GET" in methods) is ("HEAD" in methods)
        if "GET" in methods:
            asked = path.replace("<string:valuation_id>", kept)
            get, head = caller.get(asked), caller.client.head(asked, headers=caller.headers())
            assert (head.status_code, head.data) == (get.status_code, b"")
            said, wanted = ({n: v for n, v in found.headers.items() if n not in own} for found in (head, get))
            if path != "/metrics":  # it counts the first of the two
                assert said == wanted, path
