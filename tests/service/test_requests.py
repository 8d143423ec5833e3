"""Requests for appraisals: taken, refused with pointers, listed and shown."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, kept_valuations, make_app, parts
from asking import Caller, assert_problem, faults_of
from flask import Flask
from request_bodies import CONTACT, IT, REQUESTS, asked, made, moved, owner_of, patched, path_of, visitor_of
from sqlalchemy import func, select

from service.db.request_tables import EVENTS
from service.db.request_tables import REQUESTS as TABLE

FULL = {
    "asked": {"amount": "1250.50", "currency": "eur"},
    "message": "It was my aunt's.\r\nShe bought it\tnew.",
    "reference": " F-204/Ä ",
    "language": "de",
    "consent_text": "2026-11",
}
ATTACKS = (
    "<script>alert(1)</script>",
    '=HYPERLINK("http://x.example")',
    "{{7*7}}",
    "${7*7}",
    "%0d%0aBcc: x@example.org",
    "../../etc/passwd",
    "'; DROP TABLE appraisal_request; --",
    "{id}",
)


@pytest.fixture
def specialist(shared_app: Flask) -> Caller:
    return caller_of(shared_app, "requests")


def test_a_request_is_answered_as_the_contract_says(specialist: Caller) -> None:
    found = asked(specialist)
    assert found.status_code == 201
    assert list(found.json) == ["id", "state", "follow", "valuation"]
    assert found.json["state"] == "received" and found.json["follow"].startswith("/follow/bmf_")
    assert found.headers["Location"] == path_of(found.json)
    assert "no-transform" in found.headers["Cache-Control"]
    alone = caller_of(specialist.app).post("/v1/valuations", {"instrument": IT}).json
    assert found.json["valuation"]["value"] == alone["value"]


def test_all_that_was_said_is_shown_again(specialist: Caller) -> None:
    shown = specialist.get(path_of(made(specialist, **FULL))).json
    assert shown["instrument"] == {
        "maker": "Ostvik",
        "model": "Dal",
        "year": 1965,
        "condition": {"neck": 2.0},
    }
    assert shown["contact"] == CONTACT and shown["purpose"] == "insurance"
    assert shown["asked"] == {"amount": "1250.50", "currency": "EUR"}
    assert shown["message"] == "It was my aunt's.\nShe bought it new."
    assert shown["reference"] == " F-204/Ä "  # untouched
    assert shown["language"] == "de" and shown["consent"]["text"] == "2026-11"
    assert shown["valuation"]["currency"] == "EUR" and shown["valuation"]["id"] == shown["valuation_id"]
    assert (shown["version"], shown["graded"], shown["adjustment"], shown["in_hand"]) == (1, None, None, [])


def test_the_site_says_whether_the_owner_sees_a_value(specialist: Caller) -> None:
    request = made(specialist, "?value=false")
    assert "valuation" not in request
    assert specialist.get(path_of(request)).json["valuation"] is None
    assert "valuation" in made(specialist, "?value=true")
    assert faults_of(asked(specialist, "?value=no")).keys() == {None}


@pytest.mark.parametrize(
    ("accept", "language"), [("de-CH, en;q=0.5", "de"), ("fr, en;q=0.2", "en"), ("xx", "en"), ("", "en")]
)
def test_the_browser_says_the_language_if_the_form_does_not(
    specialist: Caller, accept: str, language: str
) -> None:
    request = made(specialist, headers={"Accept-Language": accept})
    assert specialist.get(path_of(request)).json["language"] == language


WRONG: list[tuple[dict[str, Any], set[str]]] = [
    ({"consent": False}, {"#/consent"}),
    ({"consent": None}, {"#/consent"}),
    ({"consent": "true"}, {"#/consent"}),
    ({"consent": 1}, {"#/consent"}),
    ({"purpose": "fun"}, {"#/purpose"}),
    ({"purpose": None}, {"#/purpose"}),
    ({"colour": "red"}, {"#/colour"}),
    ({"contact": {**CONTACT, "fax": "1"}}, {"#/contact/fax"}),
    ({"contact": {"name": "A"}}, {"#/contact/email"}),
    ({"contact": {"email": "a@example.org"}}, {"#/contact/name"}),
    ({"contact": "Ronja"}, {"#/contact"}),
    (
        {"contact": {"name": "A\nB", "email": "a b@x.org", "phone": "1" * 41}},
        {"#/contact/name", "#/contact/email", "#/contact/phone"},
    ),
    ({"message": "a\x00b"}, {"#/message"}),
    ({"message": "x" * 4001}, {"#/message"}),
    ({"message": " \n "}, {"#/message"}),
    ({"message": 7}, {"#/message"}),
    ({"reference": "a\nb"}, {"#/reference"}),
    ({"reference": "x" * 201}, {"#/reference"}),
    ({"language": "xx"}, {"#/language"}),
    ({"consent_text": "2020-01"}, {"#/consent_text"}),
    ({"asked": {"amount": "0", "currency": "USD"}}, {"#/asked/amount"}),
    ({"asked": {"amount": "-1", "currency": "USD"}}, {"#/asked/amount"}),
    ({"asked": {"amount": 12, "currency": "USD"}}, {"#/asked/amount"}),
    ({"asked": {"amount": "1.005", "currency": "USD"}}, {"#/asked/amount"}),
    ({"asked": {"amount": "12"}}, {"#/asked/currency"}),
    ({"asked": {"amount": "x", "currency": "ZZZ"}}, {"#/asked/amount", "#/asked/currency"}),
    ({"instrument": {"maker": "Ostvic", "model": "Dal"}}, {"#/instrument/maker"}),
    ({"instrument": {**IT, "figure": 9, "colour": "red"}}, {"#/instrument/figure", "#/instrument/colour"}),
    ({"instrument": None}, {"#/instrument"}),
]


@pytest.mark.parametrize(("more", "pointers"), WRONG)
def test_what_is_wrong_is_named_and_nothing_is_kept(
    specialist: Caller, more: dict[str, Any], pointers: set[str]
) -> None:
    before = _count(specialist.app)
    assert set(faults_of(asked(specialist, **more))) == pointers
    assert _count(specialist.app) == before


def test_consent_contact_instrument_and_purpose_are_needed(specialist: Caller) -> None:
    pointers = {"#/consent", "#/contact", "#/instrument", "#/purpose"}
    assert set(faults_of(specialist.post(REQUESTS, {}))) == pointers


@pytest.mark.parametrize(
    "email",
    [
        "",
        "x",
        "@example.org",
        "a@",
        "a@b@example.org",
        "a@example",
        "a@example.org\r\nBcc: b@example.org",
        "a@example..org",
        "a..b@example.org",
        "<a@example.org>",
        "a@exam ple.org",
        '"a"@example.org',
        "a" * 65 + "@example.org",
        "a@" + "b" * 250 + ".org",
        "ä@example.org",
        7,
        None,
        "a@example.org,b@example.org",
    ],
)
def test_an_address_that_no_mail_reaches_is_refused(specialist: Caller, email: Any) -> None:
    found = faults_of(asked(specialist, contact={"name": "A", "email": email}))
    assert set(found) == {"#/contact/email"}


@pytest.mark.parametrize(
    ("email", "kept"),
    [
        ("a.b+c@sub.example.org", "a.b+c@sub.example.org"),
        (" a@example.org ", "a@example.org"),
        ("a@bücher.example", "a@xn--bcher-kva.example"),
    ],
)
def test_an_address_of_any_script_of_host_is_taken(specialist: Caller, email: str, kept: str) -> None:
    request = made(specialist, contact={"name": "A", "email": email})
    assert specialist.get(path_of(request)).json["contact"] == {"name": "A", "email": kept, "phone": None}


@pytest.mark.parametrize("text", ATTACKS)
def test_what_looks_like_code_comes_back_as_text(specialist: Caller, text: str) -> None:
    contact = {"name": text, "email": "a@example.org", "phone": text[:40]}
    request = made(specialist, contact=contact, message=f"{text}\n{text}", reference=text)
    shown = specialist.get(path_of(request))
    assert shown.headers["Content-Type"] == "application/json"
    assert shown.json["contact"] == contact
    assert (shown.json["message"], shown.json["reference"]) == (f"{text}\n{text}", text)
    noted = specialist.post(f"{path_of(request)}/notes", {"text": text})
    assert noted.json["text"] == text


def test_one_key_for_one_request_makes_one(shared_app: Flask) -> None:
    visitor, here = visitor_of(shared_app)
    before, headers = (_count(shared_app), kept_valuations(shared_app)), {**here, "Idempotency-Key": "form-1"}
    with ThreadPoolExecutor(6) as pool:
        found = list(pool.map(lambda _: asked(visitor, headers=headers), range(6)))
    assert {answer.status_code for answer in found} == {201} and len({answer.data for answer in found}) == 1
    assert {answer.headers["Location"] for answer in found} == {path_of(found[0].json)}
    (rows, created), kept = before
    assert (_count(shared_app), kept_valuations(shared_app)) == ((rows + 1, created + 1), kept + 1)


def test_without_a_price_model_it_is_taken_without_a_value(tmp_path: Path, new_database: NewDatabase) -> None:
    app = make_app(tmp_path / "nothing", new_database("sqlite"))
    specialist = caller_of(app, "requests")
    request = made(specialist, **FULL)
    assert list(request) == ["id", "state", "follow"]
    owner = owner_of(app, request)
    assert owner.post(f"{path_of(request)}/answers", {"answers": {"serial": "F 1"}}).status_code == 200
    shown = owner.get(path_of(request)).json
    assert shown["instrument"]["serial"] == "F 1" and shown["valuation"] is None
    assert_problem(specialist.get(f"{path_of(request)}/questions"), 503, "no-model")
    assert set(faults_of(asked(specialist, instrument={"maker": "Ostvik"}))) == {"#/instrument/model"}


# ── list and show ────────────────────────────────────────────────────────────


def _pages(caller: Caller, query: str) -> list[list[dict[str, Any]]]:
    pages, path = [], f"{REQUESTS}?{query}"
    while path:
        found = caller.get(path)
        assert found.status_code == 200, found.text
        pages.append(found.json["requests"])
        path = found.headers.get("Link", "").partition(">")[0].removeprefix("<")
    return pages


def test_pages_stay_as_they_are_while_others_write(own_app: Flask) -> None:
    specialist = caller_of(own_app, "requests")
    first = [made(specialist, "?value=false", reference=str(n))["id"] for n in range(7)]
    page = specialist.get(f"{REQUESTS}?limit=3")
    later = made(specialist, "?value=false")["id"]
    moved(specialist, {"id": first[0]}, "reviewing")
    moved(specialist, {"id": first[5]}, "reviewing")
    path = page.headers["Link"].partition(">")[0].removeprefix("<")
    rest = [one["id"] for page in _pages(specialist, path.partition("?")[2]) for one in page]
    assert [one["id"] for one in page.json["requests"]] + rest == [*first, later]


def test_filters(own_app: Flask) -> None:
    specialist = caller_of(own_app, "requests")
    one, two = (made(specialist, "?value=false") for _ in range(2))
    changed = moved(specialist, one, "reviewing")["changed"]
    assert [r["id"] for r in specialist.get(f"{REQUESTS}?state=received").json["requests"]] == [two["id"]]
    assert [r["id"] for r in specialist.get(f"{REQUESTS}?since={changed}").json["requests"]] == [one["id"]]
    assert len(specialist.get(f"{REQUESTS}?since=2020-01-01").json["requests"]) == 2
    assert specialist.get(f"{REQUESTS}?since=2100-01-01").json["requests"] == []
    for query in ("state=new", "since=yesterday", "since=2026-13-01", "cursor=after-7", "limit=0", "page=2"):
        assert set(faults_of(specialist.get(f"{REQUESTS}?{query}"))) == {None}


def test_whose_request_it_is(shared_app: Flask, specialist: Caller) -> None:
    visitor, here = visitor_of(shared_app)
    other, _ = visitor_of(shared_app)
    request, foreign = made(visitor, headers=here), made(specialist)
    answers = {"answers": {"serial": "F 1"}}
    assert visitor.post(f"{path_of(request)}/answers", answers, **here).status_code == 200
    for caller, headers in ((other, here), (owner_of(shared_app, foreign), {})):
        for below in ("questions",):
            assert_problem(caller.get(f"{path_of(request)}/{below}", **headers), 404, "record")
        assert_problem(caller.post(f"{path_of(request)}/answers", answers, **headers), 404, "record")
    assert_problem(owner_of(shared_app, foreign).get(path_of(request)), 404, "record")
    assert_problem(specialist.get(f"{REQUESTS}/{'x' * 300}"), 404, "record")


def test_an_owner_sees_the_specialists_work_only_when_it_is_reported(shared_app: Flask) -> None:
    specialist = caller_of(shared_app, "requests")
    request = made(specialist)
    owner = owner_of(shared_app, request)
    moved(specialist, request, "reviewing")
    adjustment = {"per_cent": "-5", "reason": "the case is worn"}
    patched(specialist, request, graded=IT, adjustment=adjustment, in_hand=["figure"])
    shown = owner.get(path_of(request)).json
    assert (shown["graded"], shown["adjustment"], shown["in_hand"]) == (None, None, ["figure"])
    history = owner.get(f"{path_of(request)}/history")
    assert {event["actor"] for event in history.json["events"]} == {"owner", "specialist"}
    assert "-5" not in history.text and specialist.key.split("_")[1] not in history.text  # type: ignore[union-attr]
    with parts(shared_app).engine.begin() as connection:
        connection.execute(TABLE.update().where(TABLE.c.id == request["id"]).values(state="reported"))
    shown = owner.get(path_of(request)).json
    assert shown["adjustment"]["per_cent"] == "-5" and shown["graded"]["year"] == 1965


def _count(app: Flask) -> tuple[int, int]:
    """Count the requests, and the events that each was made with; other tests keep requests without one."""
    with parts(app).engine.connect() as connection:
        created = select(func.count()).select_from(EVENTS).where(EVENTS.c.action == "created")
        rows = connection.execute(select(func.count()).select_from(TABLE)).scalar_one()
        return int(rows), int(connection.execute(created).scalar_one())
