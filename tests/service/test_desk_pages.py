"""The desk's pages: who sees them, what they send along, and that a text is never more than a text."""

from __future__ import annotations

import json
from typing import Any

import pytest
from apps import caller_of, parts, without_evidence
from desks import Read, Somebody
from flask import Flask

from service.db.engine import reading

OPEN = {"/desk/sign-in", "/desk/static/<path:filename>"}
FILLED = {
    "<record:evidence_id>": "not-there",
    "<name:maker>": "Ostvik",
    "<name:model>": "Dal",
    "<version>": "20260101T000000000Z-00000000",
    "<entry_id>": "0" * 16,
    "<path:rest>": "nothing/here",
    "<path:filename>": "desk.css",
    "<request_id>": "req_" + "0" * 26,
    "<photograph_id>": "pho_" + "0" * 26,
    "<report_id>": "rep_" + "0" * 26,
    "<email_id>": "1",
    "<form>": "pdf",
    "<int:number>": "0",
}
SALE = {
    "id": "D-1",
    "kind": "sale",
    "date": "2025-06-01",
    "price": "1800.00",
    "currency": "USD",
    "channel": "dealer",
    "instrument.maker": "Ostvik",
    "instrument.model": "Dal",
}
# What could run, break out or be filled in, if a page took it for more than a text.
STRANGE = [
    "<script>document.title='got'</script>",
    '"><img src=x onerror=alert(1)>',
    "'; DROP TABLE evidence; --",
    "{{ 7 * 191 }}",
    "{% raw %}x",
    "</textarea><b id=got>",
    "</option></select><b id=got>",
    "javascript:alert(1)",
    '=HYPERLINK("http://evil.example")',
    "../../etc/passwd",
    "&lt;b&gt;",
    "${7*191}",
    "<!-- x",
    "x onmouseover=alert(1)",
    "\u202etxet",
    "a & b < c > d",
]


@pytest.fixture
def ann(signed_in: Somebody) -> Somebody:
    without_evidence(signed_in.app)
    return signed_in


def rules(app: Flask) -> list[tuple[str, str]]:
    """Every path of the desk with each of its methods, filled in."""
    found = []
    for rule in app.url_map.iter_rules():
        if not rule.rule.startswith("/desk"):
            continue
        path = rule.rule
        for name, value in FILLED.items():
            path = path.replace(name, value)
        assert "<" not in path, path
        found += [(method, path) for method in sorted(rule.methods - {"HEAD", "OPTIONS"})]
    return found


def test_nothing_is_shown_to_those_who_are_not_signed_in(shared_app: Flask) -> None:
    asked = rules(shared_app)
    assert len(asked) > 15
    stranger = shared_app.test_client()
    for key in (None, caller_of(shared_app, "requests", "evidence", "admin", "valuations").key):
        headers = {"Authorization": f"Bearer {key}"} if key else {}
        for method, path in asked:
            if path in ("/desk/sign-in", "/desk/static/desk.css"):
                continue
            found = stranger.open(path, method=method, headers=headers)
            if method == "GET":
                assert found.status_code == 303, path
                assert found.headers["Location"].startswith("/desk/sign-in"), path
            else:
                assert (found.status_code, found.text) == (401, "Sign in first."), path


def test_a_script_of_the_page_is_told_that_it_is_signed_out(shared_app: Flask) -> None:
    found = shared_app.test_client().get("/desk/evidence", headers={"Sec-Fetch-Mode": "cors"})
    assert found.status_code == 401


def test_every_answer_says_what_browsers_and_caches_may_do(ann: Somebody) -> None:
    stranger = ann.app.test_client()
    for who in (ann.client, stranger):
        for method, path in rules(ann.app):
            found = who.open(path, method=method)
            assert found.status_code < 500
            assert found.headers["Cache-Control"] == "no-store, no-transform", path
            assert (
                found.headers["X-Robots-Tag"] == "noindex"
                and found.headers["Referrer-Policy"] == "same-origin"
            )
            assert found.headers["X-Content-Type-Options"] == "nosniff"
            policy = dict(part.split(" ", 1) for part in found.headers["Content-Security-Policy"].split("; "))
            assert policy["default-src"] == policy["frame-ancestors"] == policy["base-uri"] == "'none'"
            assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'"
            assert "unsafe" not in str(policy)
            found.close()


@pytest.mark.parametrize("token", [None, "", "wrong", "of another session"])
def test_a_form_without_its_token_does_nothing(ann: Somebody, token: str | None) -> None:
    if token == "of another session":
        token = Somebody(ann.app, "Ann", ann.factor).token()
    for method, path in rules(ann.app):
        if method == "POST":
            found = ann.client.post(path, data={**SALE, **({} if token is None else {"csrf_token": token})})
            assert found.status_code == 400, path
    assert ann.get("/desk/sessions").status_code == 200  # not even signed out
    assert ann.get("/desk/evidence/D-1").status_code == 404


def test_a_page_has_headings_labels_and_landmarks(ann: Somebody) -> None:
    for method, path in rules(ann.app):
        if method != "GET" or path.endswith((".css", ".toml", "/card")):
            continue
        page = ann.get(path).text
        read = Read(page)
        names = [name for name, _ in read.elements]
        assert names.count("h1") == names.count("main") == names.count("footer") == 1, path
        labelled = {one.get("for") for one in read.all("label")}
        for tag in ("input", "select", "textarea"):
            for one in read.all(tag):
                ticked = one.get("type") in ("hidden", "checkbox", "radio")
                assert ticked or one["id"] in labelled, (path, one)
        ids = [one["id"] for _, one in read.elements if one.get("id")]
        assert len(ids) == len(set(ids)), path
        assert "style" not in {key for _, one in read.elements for key in one}, path
        assert len(page.encode()) < 150_000, path


# ── evidence ─────────────────────────────────────────────────────────────────


def add(ann: Somebody, **more: str) -> Any:
    names = {name.replace("__", "."): value for name, value in more.items()}
    return ann.send("/desk/new-evidence", **{**SALE, **names})


def test_evidence_is_added_corrected_withdrawn_and_confirmed(ann: Somebody) -> None:
    made = add(ann, reason="seen at a fair")
    assert (made.status_code, made.headers["Location"]) == (303, "/desk/evidence/D-1")
    dealer = caller_of(ann.app, "evidence")
    assert dealer.get("/v1/evidence/D-1").json["price"] == "1800.00"
    assert "D-1" in ann.get("/desk/evidence").text
    ann.send("/desk/evidence/D-1/correct", **{**SALE, "price": "90000", "instrument.condition.neck": "2"})
    now = dealer.get("/v1/evidence/D-1").json
    assert now["price"] == "90000" and now["instrument"]["condition"] == {"neck": 2} and now["warnings"]
    assert "held out" in ann.get("/desk/evidence?warned=true").text
    assert now["warnings"][0]["message"] in Read(ann.get("/desk/evidence/D-1").text).text
    ann.send("/desk/evidence/D-1/confirm", reason="I held it")
    assert dealer.get("/v1/evidence/D-1").json["confirmed"]
    ann.send("/desk/evidence/D-1/withdraw", reason="twice")
    assert dealer.get("/v1/evidence/D-1").status_code == 410
    page = Read(ann.get("/desk/evidence/D-1").text).text
    for said in ("Withdrawn on", "seen at a fair", "I held it", "twice"):
        assert said in page
    history = dealer.get("/v1/evidence/D-1/history").json["changes"]
    assert [one["action"] for one in history] == ["recorded", "corrected", "confirmed", "withdrawn"]
    assert {one["key"] for one in history} == {ann.key_id}


def test_faults_stand_at_their_fields_and_nothing_that_was_typed_is_lost(ann: Somebody) -> None:
    found = add(ann, price="much", instrument__year="19x", instrument__model="Dall", source="kept")
    assert found.status_code == 422
    read = Read(found.text)
    wrong = {one["name"]: one for one in read.all("input") if one.get("aria-invalid")}
    assert set(wrong) == {"instrument.year"} or "price" in wrong
    linked = {str(one["href"]) for one in read.all("a") if str(one["href"]).startswith("#f-")}
    ids = {f"#{one['id']}" for _, one in read.elements if one.get("id")}
    assert linked and linked <= ids
    assert {one["name"]: one.get("value") for one in read.all("input")}["source"] == "kept"
    assert ann.get("/desk/evidence/D-1").status_code == 404


def test_an_id_that_is_taken_is_said(ann: Somebody) -> None:
    add(ann)
    assert add(ann).status_code == 409


def test_a_text_is_never_more_than_a_text(ann: Somebody) -> None:
    for at, strange in enumerate(STRANGE):
        kept = {"id": f"D {at} {strange}".replace("/", "|"), "source": strange, "reason": strange}
        if not strange.isprintable():
            kept["reason"] = kept["id"] = f"D {at}"
        made = add(ann, **kept)
        assert made.status_code == 303, (strange, Read(made.text).text)
        back = add(ann, **{**kept, "price": strange, "currency": strange, "instrument__finish": strange})
        for page in (back.text, ann.get(made.headers["Location"]).text, ann.get("/desk/evidence").text):
            read = Read(page)
            assert not [one for _, one in read.elements if one.get("id") == "got" or "onerror" in one]
            assert not [one for one in read.all("img") if one.get("src") == "x"]
            assert [one.get("src") for one in read.all("script")] == ["/desk/static/desk.js"]
            assert "1337" not in page and not any("onmouseover" in one for _, one in read.elements)
        values = [one.get("value") for one in Read(back.text).all("input")]
        assert strange in values
    for query in ("warned", "cursor", "kind", "maker"):
        page = ann.get("/desk/evidence", query_string={query: STRANGE[0]}).text
        assert len(Read(page).all("script")) == 1
    page = Read(ann.client.post("/desk/sign-in", data={"csrf_token": ann.token(), "name": STRANGE[1]}).text)
    assert not page.all("img") and STRANGE[1] in [one.get("value") for one in page.all("input")]


# ── the rest of what needs no request ────────────────────────────────────────


def test_nothing_at_a_path_is_a_page_too(ann: Somebody) -> None:
    found = ann.get("/desk/nothing")
    assert (
        found.status_code == 404 and found.mimetype == "text/html" and "Nothing is at this path" in found.text
    )


def test_the_api_needs_no_token_of_a_form(shared_app: Flask) -> None:
    caller = caller_of(shared_app, "evidence")
    body = {**{k: v for k, v in SALE.items() if "." not in k}, "id": "of the API"}
    body |= {"instrument": {"maker": "Ostvik", "model": "Dal"}}
    assert caller.post("/v1/evidence", body).status_code == 201
    assert "Set-Cookie" not in caller.post("/v1/evidence", body).headers


def test_the_cookie_of_the_desk_opens_no_api(ann: Somebody) -> None:
    assert ann.get("/v1/evidence").status_code == 401


def test_a_browser_that_shows_its_address_shows_no_token(ann: Somebody) -> None:
    for path in ("/desk", "/desk/evidence", "/desk/sessions"):
        for one in Read(ann.get(path).text).all("a"):
            assert "csrf" not in str(one["href"])


def test_the_keys_of_users_stand_in_the_list_without_a_secret(ann: Somebody) -> None:
    mine = next(one for one in parts(ann.app).keys.entries() if one.id == ann.key_id)
    assert (mine.secrets, mine.label) == ((), "desk: Ann")
    assert json.dumps(mine.scopes) == '"admin evidence requests valuations"'
    with reading(parts(ann.app).engine) as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM desk_user").scalar() == 1
