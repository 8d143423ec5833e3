"""The form's own page, without a browser: what it shows, what it takes, what it refuses, and its key."""

from __future__ import annotations

import json
import re
from io import BytesIO
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from flask import Flask
from injections import INJECTIONS
from mail_ground import Clock, parsed
from owner_pages import SAID, Parsed, picture, send
from PIL import Image

from models.domain.vocabulary import FIELDS
from service.form.reading import plain_amount
from service.languages.reader import languages, texts
from service.mail.sender import send_due

POLICY = {
    "default-src": "'none'",
    "base-uri": "'none'",
    "frame-ancestors": "'none'",
    "form-action": "'self'",
    "style-src": "'self'",
    "script-src": "'self'",
    "connect-src": "'self'",
    "img-src": "'self' data:",
}


def requests_of(app: Flask) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = caller_of(app, "requests").get("/v1/requests").json["requests"]
    return found


def form(app: Flask, language: str = "en", **headers: str) -> Parsed:
    found = app.test_client().get(f"/form?language={language}", headers=headers)
    assert found.status_code == 200
    return Parsed(found.text)


# ── what it shows ────────────────────────────────────────────────────────────


@pytest.mark.parametrize("language", languages())
def test_it_asks_for_every_field_in_every_language(own_app: Flask, language: str) -> None:
    page = form(own_app, language)
    names = {about.get("name") for _, about in page.elements}
    assert {f"instrument.{field.path}" for field in FIELDS} <= names
    for field in FIELDS:
        assert texts(language)[f"fields.{field.path}.label"] in page.text
    assert page.named("html")[0]["lang"] == language
    assert page.text.count(texts(language)["form.unknown"]) >= sum(bool(field.terms) for field in FIELDS)


def test_nothing_is_answered_before_it_is_filled_in(own_app: Flask) -> None:
    page = form(own_app)
    chosen = [about for about in page.named("input") if "checked" in about]
    assert {about["value"] for about in chosen} == {"", "curiosity"}
    given = {
        about.get("name"): about.get("value") for about in page.named("input") if about.get("type") == "text"
    }
    assert set(given.values()) == {""}


def test_its_policy_lets_in_nothing_from_elsewhere_and_nothing_inline(own_app: Flask) -> None:
    found = own_app.test_client().get("/form")
    said = dict(
        part.strip().partition(" ")[::2] for part in found.headers["Content-Security-Policy"].split(";")
    )
    assert said == POLICY
    page = Parsed(found.text)
    assert not page.named("style") and all("src" in one for one in page.named("script"))
    assert not [
        about for _, about in page.elements if "style" in about or any(a.startswith("on") for a in about)
    ]
    for name in ("src", "href", "action"):
        assert all(
            (about.get(name) or "/").startswith(("/", "#", "?", "data:,")) for _, about in page.elements
        )


def test_it_is_in_the_language_that_is_asked_for_or_that_the_browser_speaks(own_app: Flask) -> None:
    client = own_app.test_client()
    for query, accepted, language in (
        ("?language=de", "en", "de"),
        ("", "fr, de-AT;q=0.8", "de"),
        ("?language=xx", "", "en"),
        ("", "fr", "en"),
    ):
        found = client.get(f"/form{query}", headers={"Accept-Language": accepted})
        assert Parsed(found.text).named("html")[0]["lang"] == language


def test_without_a_price_model_it_asks_all_the_same(tmp_path: Any, new_database: NewDatabase) -> None:
    app = make_app(tmp_path, new_database("sqlite"))
    assert app.test_client().get("/form").status_code == 200
    assert send(app).status_code == 303
    parts(app).engine.dispose()


# ── what it takes ────────────────────────────────────────────────────────────


def test_what_is_posted_becomes_a_request_of_the_own_key(own_app: Flask) -> None:
    sent = {
        "instrument.weight_kg": "3,9",
        "instrument.provenance.paperwork": "no",
        "asked.amount": "1.250,50",
    }
    files = {
        "photograph.front": (picture(), "a.jpg", "image/jpeg"),
        "photograph.back": (picture("#fff"), "../b.jpg"),
    }
    found = send(own_app, files, message="two\r\nlines", **sent, **{"asked.currency": "EUR"})
    assert found.status_code == 303 and found.headers["Location"].endswith("?done=request")
    (kept,) = requests_of(own_app)
    assert kept["instrument"] == {
        "maker": "Ostvik",
        "model": "Dal",
        "year": 1965,
        "weight_kg": 3.9,
        "condition": {"neck": 2},
        "provenance": {"paperwork": False},
    }
    assert (kept["asked"], kept["purpose"]) == ({"amount": "1250.50", "currency": "EUR"}, "insurance")
    specialist = caller_of(own_app, "requests")
    whole = specialist.get(f"/v1/requests/{kept['id']}").json
    assert whole["message"] == "two\nlines" and whole["consent"]["text"] == "2026-11"
    listed = specialist.get(f"/v1/requests/{kept['id']}/photographs").json["photographs"]
    assert [one["view"] for one in listed] == ["front", "back"]


def test_a_photograph_that_cannot_be_used_loses_no_request(store: Path, new_database: NewDatabase) -> None:
    app = make_app(store, new_database("sqlite"), photograph_limit=1024)
    noise = BytesIO()
    Image.effect_noise((64, 64), 90).save(noise, "JPEG", quality=95)
    assert len(noise.getvalue()) > 1024
    for body in (picture(kind="GIF"), BytesIO(noise.getvalue())):
        found = send(app, {"photograph.front": (body, "a.jpg", "image/jpeg")})
        assert found.headers["Location"].endswith("?done=photographs_refused")
        page = app.test_client().get(found.headers["Location"]).text
        assert "some photographs could not be used" in page and "There is none yet" in page
    assert len(requests_of(app)) == 2
    parts(app).engine.dispose()


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("instrument.maker", None, "Please fill this in."),
        (
            "instrument.model",
            "Dall",
            "This name is not in our list. Please choose the name that comes nearest, or ask the specialist "
            "to add yours. Did you mean Dal?",
        ),
        ("instrument.year", "1700", "Please write a whole number from 1800 to 2100."),
        ("instrument.weight_kg", "heavy", "Please write a number from 0.5 to 20."),
        ("instrument.condition.neck", "9", "Please choose one of the answers."),
        ("contact.name", None, "Please fill this in."),
        ("contact.email", "nobody", "This does not look like an e-mail address."),
        ("asked.amount", "many", "Please write an amount"),
        ("purpose", "fun", "Please choose one of the answers."),
        ("consent", None, "Please tick this box."),
    ],
)
def test_what_is_wrong_stands_beside_its_question_and_all_input_is_kept(
    own_app: Flask, name: str, value: str | None, said: str
) -> None:
    found = send(own_app, **{"message": "keep me", "asked.currency": "EUR", name: value})
    assert found.status_code == 422
    page = Parsed(found.text)
    assert page.fault(name).startswith(said)
    others = [other for other in (*SAID, "message") if other not in (name, "language")]
    assert [other for other in others if page.fault(other)] == []
    assert page.control("contact.name")["value"] == ("" if name == "contact.name" else SAID["contact.name"])
    assert "keep me" in page.text
    chosen = {about["name"]: about["value"] for about in page.named("input") if "checked" in about}
    assert name == "instrument.condition.neck" or chosen["instrument.condition.neck"] == "2"
    assert f'href="#f-{name.replace(".", "-")}"' in found.text  # the list of faults leads to it
    assert requests_of(own_app) == []


def test_a_german_owner_is_told_in_german(own_app: Flask) -> None:
    page = Parsed(send(own_app, language="de", **{"instrument.weight_kg": "x"}).text)
    assert page.fault("instrument.weight_kg") == "Bitte schreiben Sie eine Zahl von 0,5 bis 20."


def test_what_fills_the_trap_is_thanked_and_not_kept(own_app: Flask) -> None:
    found = send(own_app, homepage="https://spam.example")
    assert found.status_code == 200 and "Thank you, we have your request" in found.text
    assert requests_of(own_app) == []
    trap = form(own_app).control("homepage")
    assert (trap["tabindex"], trap["autocomplete"], trap["value"]) == ("-1", "off", "")


def test_a_form_of_another_website_is_refused(own_app: Flask) -> None:
    client = own_app.test_client()
    for headers in (
        {"Sec-Fetch-Site": "cross-site", "Origin": "null"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "https://elsewhere.example"},
    ):
        found = client.post("/form", data=SAID, headers=headers)
        assert found.status_code == 403 and "another website" in found.text
    assert requests_of(own_app) == []
    for headers in ({"Sec-Fetch-Site": "same-origin"}, {"Origin": "http://localhost"}, {}):
        assert client.post("/form", data=SAID, headers=headers).status_code == 303


def test_injections_come_back_as_text(own_app: Flask) -> None:
    fields = (
        "instrument.serial",
        "instrument.year",
        "contact.name",
        "contact.phone",
        "message",
        "asked.amount",
    )
    plain = len(form(own_app).named("script"))
    for text in INJECTIONS:
        found = send(own_app, **dict.fromkeys(fields, text))
        assert found.status_code == 422
        page = Parsed(found.text)
        assert page.control("instrument.serial")["value"] == text and text in page.text
        assert len(page.named("script")) == plain
        assert not [1 for _, about in page.elements if any(name.startswith("on") for name in about)]
    assert requests_of(own_app) == []


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("1500", "1500"),
        ("1,500", "1500"),
        ("1.500", "1500"),
        ("1 500", "1500"),
        ("12’500.50", "12500.50"),
        ("1.250,50", "1250.50"),
        ("1,234,567.8", "1234567.8"),
        ("3,5", "3.5"),
        ("0.25", "0.25"),
        ("many", "many"),
    ],
)
def test_amounts_are_read_however_thousands_and_cents_are_marked(written: str, meant: str) -> None:
    assert plain_amount(written) == meant


# ── texts and the log ──────────────────────────────────────────────────────────


def test_the_texts_that_a_script_says_are_there(own_app: Flask) -> None:
    (about,) = form(own_app).named("form")
    spoken = json.loads(str(about["data-texts"]))
    assert "{seconds}" in spoken["later"] and "{names}" in spoken["nearest"]
    assert all(spoken.values())


def test_the_log_tells_nothing_of_an_owner(own_app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = Mock()
    monkeypatch.setattr("service.server.logs.Requests.lines", lines)
    path = send(own_app).headers["Location"]
    client = own_app.test_client()
    for asked in (path, path.replace("bmf_", "bmf_x"), path.partition("?")[0] + "/data.json"):
        client.get(asked)
    said_bytes = b" ".join(call.args[0] for call in lines.msg.call_args_list)
    said = said_bytes.decode()
    assert said.count('"route":"/follow/<string:token>"') == 2 and '"status":404' in said
    token = path.partition("?")[0].rpartition("/")[2]
    assert token.removeprefix("bmf_") not in said and "ronja" not in said.lower()


def test_injections_add_nothing_to_an_e_mail(store: Path, new_database: NewDatabase, tmp_path: Path) -> None:
    mail = {"mail": f"file:{tmp_path / 'mail'}", "mail_specialist": "specialist@example.org"}
    app = make_app(store, new_database("sqlite"), limit_visitor_requests=0, limit_unproved_requests=0, **mail)
    names = [text for text in INJECTIONS if text.isprintable()]
    for text in names:
        assert send(app, **{"contact.name": text, "message": text}).status_code == 303
    send_due(parts(app).engine, parts(app).settings, clock=Clock())
    found = [parsed(path.read_bytes()) for path in (tmp_path / "mail").glob("*.eml")]
    assert len(found) == 2 * len(names) > 30
    assert {str(one["To"]) for one in found} == {"ronja@example.org", "specialist@example.org"}
    assert len({tuple(sorted(one.keys())) for one in found}) == 1 and not [one for one in found if one["Bcc"]]
    pages = [
        part.get_content() for one in found for part in one.walk() if part.get_content_type() == "text/html"
    ]
    assert not [page for page in pages if re.search(r"<(script|img|svg|iframe|h1>trapped)", page)]
    parts(app).engine.dispose()
