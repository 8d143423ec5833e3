"""An owner's private page, without a browser: what it shows and does, and whom it lets in."""

from __future__ import annotations

from html import unescape
from typing import Any

import orjson
import pytest
from apps import caller_of, keys_of
from asking import Caller
from flask import Flask
from injections import INJECTIONS
from owner_pages import Parsed, followed, picture, send
from reporting import issued, photographed, requested, settled
from request_bodies import moved, patched
from websites import form_of

from service.api.requests.states import STATES
from service.languages.reader import texts

OURS = {"Sec-Fetch-Site": "same-origin", "Origin": "null"}


def act(app: Flask, path: str, action: str, headers: dict[str, str] | None = None, **data: Any) -> Any:
    """An owner acts on the page by ordinary post."""
    return app.test_client().post(
        path, data={"action": action, **data}, headers=OURS if headers is None else headers
    )


def of(app: Flask, path: str) -> dict[str, Any]:
    """The request behind an owner's page, as the specialist sees it."""
    specialist = caller_of(app, "requests")
    found = Caller(app, path.rpartition("/")[2])
    request_id = str(orjson.loads(found.get(f"{path}/data.json").data)["request"]["id"])
    shown: dict[str, Any] = specialist.get(f"/v1/requests/{request_id}").json
    return shown


def test_it_shows_what_was_sent_in_words(own_app: Flask) -> None:
    sent = {"asked.amount": "1500", "asked.currency": "USD", "message": "two\nlines"}
    path = followed(own_app, **sent, **{"instrument.provenance.paperwork": "yes"})
    page = Parsed(own_app.test_client().get(path).text)
    facts = " ".join(" ".join(page.texts).split())
    for words in (
        "Wear of the neck Light",
        "Are there papers from its time? Yes",
        "Year it was made 1965",
        "What is the value for? For an insurance",
        "Ronja Eklund",
        "ronja@example.org",
        "$1,500",
    ):
        assert words in facts, words  # fmt: skip
    assert "two\nlines" in page.text and "We have it" in page.text


def test_it_shows_the_range_only_where_the_site_does(own_app: Flask) -> None:
    shown = own_app.test_client().get(followed(own_app)).text
    # By hand: exp(8 - .1 * 2), as `fakes.py` says.
    assert "$2,441" in shown and "In 80 of 100 such cases" in shown
    assert "neither an authentication nor a qualified or certified appraisal" in shown
    form = form_of(own_app)
    body = {"instrument": {"maker": "Ostvik", "model": "Dal"}, "purpose": "sale", "consent": True,
            "contact": {"name": "Ronja", "email": "ronja@example.org"}}  # fmt: skip
    made = form.post("/v1/requests?value=false", body, Origin="https://guitars.example").json
    assert "In 80 of 100 such cases" not in own_app.test_client().get(made["follow"]).text


@pytest.mark.parametrize("language", ["en", "de"])
def test_it_says_every_state_in_the_owners_language(own_app: Flask, language: str) -> None:
    path = followed(own_app, language=language)
    request, specialist = of(own_app, path), caller_of(own_app, "requests")
    assert {f"follow.{state}" for state in STATES} <= set(texts(language))
    for state in ("received", "reviewing", "waiting_for_owner", "declined"):
        if state == "declined":
            moved(specialist, request, "reviewing")
        if state != "received":
            moved(specialist, request, state)
        page = Parsed(own_app.test_client().get(path).text)
        assert texts(language)[f"follow.{state}"] in page.text
        assert page.named("html")[0]["lang"] == language
        assert bool(page.named("form")) is (state != "declined")


def test_photographs_are_added_and_shown_to_the_owner_alone(own_app: Flask) -> None:
    path = followed(own_app)
    answer = act(own_app, path, "photograph", view="neck", photograph=(picture(), "a.jpg", "image/jpeg"))
    assert answer.status_code == 303 and answer.headers["Location"] == f"{path}?done=photograph"
    page = Parsed(own_app.test_client().get(path).text)
    (shown,) = page.named("img")
    assert shown["alt"] == "Your photograph: Back of the neck"
    client = own_app.test_client()
    for size in ("small", "full"):
        found = client.get(str(shown["src"]).replace("small", size))
        assert found.status_code == 200, found.text
        assert found.data.startswith(b"\xff\xd8")
        assert "noindex" in found.headers["X-Robots-Tag"] and "no-store" in found.headers["Cache-Control"]
    other = followed(own_app)
    assert client.get(str(shown["src"]).replace(path, other)).status_code == 404
    refused = act(
        own_app, path, "photograph", view="neck", photograph=(picture(kind="GIF"), "a.jpg", "image/jpeg")
    )
    assert refused.status_code == 422 and "cannot be used" in refused.text
    for data in ({"view": "neck"}, {"view": "../x", "photograph": (picture(), "a.jpg")}):
        assert act(own_app, path, "photograph", **data).headers["Location"] == f"{path}?done=nothing"


def test_the_specialists_questions_are_answered(own_app: Flask) -> None:
    path = followed(own_app)
    request, specialist = of(own_app, path), caller_of(own_app, "requests")
    moved(specialist, request, "reviewing")
    asked = ["condition.back", "originality.nut"]
    words = "Is the nut of bone?\nPlease look."
    assert (
        patched(specialist, request, state="waiting_for_owner", questions=asked, message=words).status_code
        == 200
    )
    page = Parsed(own_app.test_client().get(path).text)
    assert "We need something from you" in page.text and words in page.text
    assert {"instrument.condition.back", "instrument.originality.nut"} <= {
        about.get("name") for _, about in page.elements
    }
    given = {"instrument.condition.back": "4", "instrument.originality.nut": "modern", "message": "Yes."}
    assert act(own_app, path, "answers", **given).headers["Location"] == f"{path}?done=answers"
    now = of(own_app, path)
    assert now["state"] == "reviewing" and now["instrument"]["condition"] == {"neck": 2, "back": 4}
    assert now["instrument"]["originality"] == {"nut": "modern"}
    assert now["messages"][-1]["text"] == "Yes." and now["messages"][-1]["sender"] == "owner"


def test_a_wrong_answer_stands_beside_its_question(own_app: Flask) -> None:
    path = followed(own_app)
    specialist = caller_of(own_app, "requests")
    moved(specialist, of(own_app, path), "reviewing")
    patched(specialist, of(own_app, path), state="waiting_for_owner", questions=["weight_kg"])
    found = act(own_app, path, "answers", **{"instrument.weight_kg": "99", "message": "keep me"})
    assert found.status_code == 422 and "keep me" in found.text
    assert Parsed(found.text).fault("instrument.weight_kg") == "Please write a number from 0.5 to 20."


def test_an_owner_withdraws_and_can_then_change_nothing(own_app: Flask) -> None:
    path = followed(own_app)
    assert act(own_app, path, "withdraw").status_code == 200 and of(own_app, path)["state"] == "received"
    assert act(own_app, path, "withdraw", sure="yes").status_code == 303
    assert of(own_app, path)["state"] == "withdrawn"
    page = Parsed(own_app.test_client().get(path).text)
    assert "You have withdrawn your request" in page.text and not page.named("form")
    for action, data in (
        ("answers", {"message": "no"}),
        ("photograph", {"view": "neck", "photograph": (picture(), "a.jpg", "image/jpeg")}),
    ):
        found = act(own_app, path, action, **data)
        assert found.status_code == 409 and "closed" in found.text, action


def test_an_owner_reads_every_version_of_the_report(own_app: Flask) -> None:
    specialist = caller_of(own_app, "requests", "valuations")
    settled(specialist)
    request_id, token = requested(own_app)
    photographed(own_app, request_id)
    first = issued(specialist, request_id)
    path, client = f"/follow/{token}", own_app.test_client()
    page = client.get(path)
    assert "Your report is ready" in page.text and "version 1" in page.text
    for form in ("html", "pdf"):
        address = f"{path}/reports/{first['id']}.{form}"
        assert f'href="{address}"' in page.text
        shown = client.get(address)
        assert shown.data == specialist.get(f"/v1/reports/{first['id']}.{form}", Accept="*/*").data
        assert "no-store" in shown.headers["Cache-Control"] and "noindex" in shown.headers["X-Robots-Tag"]
        assert "unsafe-inline" not in shown.headers["Content-Security-Policy"]
        assert client.get(address.replace(token, followed(own_app).rpartition("/")[2])).status_code == 404
    moved(specialist, {"id": request_id}, "reviewing")
    issued(specialist, request_id, replaces=first["id"], reason="The year was wrong.")
    again = client.get(path).text
    assert again.index("version 2") < again.index("version 1")


def test_an_owner_saves_what_is_kept(own_app: Flask) -> None:
    path = followed(own_app)
    found = own_app.test_client().get(f"{path}/data.json")
    assert "attachment" in found.headers["Content-Disposition"]
    assert found.json["contact"]["email"] == "ronja@example.org"


def test_a_wrong_or_dead_address_tells_nothing(own_app: Flask) -> None:
    path = followed(own_app)
    client = own_app.test_client()
    system = caller_of(own_app, "requests").key or ""
    website = form_of(own_app).key or ""
    said = set()
    for token in ("x", "bmf_" + "a" * 43, "bmf_", system, website, path.rpartition("/")[2][:-1]):
        for below in ("", "/data.json", "/photographs/x/small.jpg"):
            found = client.get(f"/follow/{token}{below}")
            assert found.status_code == 404, token
            assert "no-store" in found.headers["Cache-Control"] and "noindex" in found.headers["X-Robots-Tag"]
            said.add(found.text)
        assert client.post(f"/follow/{token}", data={"action": "withdraw", "sure": "yes"}).status_code == 404
    assert len(said) == 1
    request = of(own_app, path)
    assert (
        caller_of(own_app, "requests").ask("delete", f"/v1/requests/{request['id']}/contact").status_code
        == 200
    )
    assert client.get(path).text in said  # the owner was erased


def test_another_website_can_do_nothing_on_it(own_app: Flask) -> None:
    path = followed(own_app)
    for headers in ({"Sec-Fetch-Site": "cross-site"}, {"Origin": "https://elsewhere.example"}):
        for action, data in (("withdraw", {"sure": "yes"}), ("answers", {"message": "x"})):
            found = act(own_app, path, action, headers, **data)
            assert found.status_code == 403 and "another website" in found.text
    assert of(own_app, path)["state"] == "received"


def test_no_cache_keeps_it_no_engine_lists_it_and_no_page_gets_its_address(own_app: Flask) -> None:
    path = followed(own_app)
    found = own_app.test_client().get(path)
    assert found.headers["Referrer-Policy"] == "no-referrer" and "noindex" in found.headers["X-Robots-Tag"]
    assert {"private", "no-store", "no-transform"} <= set(found.headers["Cache-Control"].split(", "))
    assert "Set-Cookie" not in found.headers  # nothing that a page of another site could make a browser send
    page = Parsed(found.text)
    assert not page.named("script")
    assert all(
        str(about["href"]).startswith(("/", "#", "data:,")) for _, about in page.elements if about.get("href")
    )


def test_injections_are_shown_as_text(own_app: Flask) -> None:
    plain = Parsed(own_app.test_client().get(followed(own_app)).text)
    for text in INJECTIONS:
        fields = {
            "message": text,
            "contact.name": text,
            "contact.phone": text[:40],
            "instrument.serial": text,
        }
        first = send(own_app, **fields)
        refused = (
            [name for name in fields if Parsed(first.text).fault(name)] if first.status_code == 422 else []
        )
        assert not refused or not text.isprintable()  # characters that turn the direction of writing
        path = followed(own_app, **{name: value for name, value in fields.items() if name not in refused})
        found = own_app.test_client().get(path).text
        page = Parsed(found)
        assert "message" in refused or (page.text.count(text) >= 1 and text in unescape(found))
        for tag in ("script", "img", "h1", "svg", "a"):
            assert len(page.named(tag)) == len(plain.named(tag)), (tag, text)
        assert not [1 for _, about in page.elements if any(name.startswith("on") for name in about)]


def test_the_own_form_key_is_no_key_to_the_page(own_app: Flask) -> None:
    path = followed(own_app)
    for key in keys_of(own_app).entries():
        assert own_app.test_client().get(f"/follow/bmkw_{key.id}_x").status_code == 404
    assert own_app.test_client().get(path).status_code == 200
