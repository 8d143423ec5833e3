"""The texts of e-mails: two parts, two languages, nothing from elsewhere, and nothing that a name can add."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mail_ground import ADDRESS, LINK, NAME, parsed, text_of

from service.languages.reader import languages
from service.mail.messages import FOR_OWNERS, Letter, compose
from service.mail.outbox import AFTER
from service.settings import Settings

ID = "req_0abcdefghijklmnopqrstuv012"
SETTINGS = Settings(
    store=Path("store"),
    secret="s" * 32,
    public_url="https://values.example.org",
    mail_from="values@example.org",
    mail_specialist="specialist@example.org",
)
NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
TEMPLATES = sorted({template for mails in AFTER.values() for template in mails.values()})
HEADERS = [
    *("Subject", "From", "To", "Date", "Message-ID", "Auto-Submitted", "Content-Language"),
    *("MIME-Version", "Content-Type"),
]
ELEMENTS = {"html", "head", "meta", "title", "body", "div", "p", "a", "blockquote", "br"}
# What people might type to get something into an e-mail that does not belong there.
HOSTILE = [
    "Anna\r\nBcc: everyone@example.org",
    "Anna\nX-Evil: 1\n\n<p>body</p>",
    "=?utf-8?q?Anna=0D=0ABcc:_everyone=40example.org?=",
    "\x00\x07\x1b[31m",
    "{id} {0.__class__} {name!r:>9999} %s ${x}",
    "--===============0==\r\nContent-Type: text/html\r\n\r\n<script>alert(1)</script>",
    "\u202egnihsihp\u2028\u2029\x85",
    "Ю́лия 𝔄𝔫𝔫𝔞 " * 2000,
    "." * 5000,
    "\n.\nMAIL FROM:<x@example.org>\n",
    '"><img src=https://elsewhere.example/pixel>',
    "<script>alert(1)</script>",
    "\ud800",
]


def composed(template: str = "received", *, language: str = "en", **more: Any) -> Letter | None:
    about = {"template": template, "request_id": ID, "language": language}
    row = {"owner": NAME, "email": ADDRESS, "link": LINK, "context": "{}", "reply": None, **more}
    return compose(SETTINGS, SimpleNamespace(**about, **row), "7-ab", NOW)


def letter(template: str = "received", **more: Any) -> Letter:
    found = composed(template, **more)
    assert found is not None
    return found


class Page(HTMLParser):
    """The elements of an HTML page with their attributes, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("template", TEMPLATES)
def test_every_e_mail_says_in_both_parts_where_its_page_is_and_nothing_more_of_the_person(
    template: str, language: str
) -> None:
    found = letter(template, language=language)
    message = parsed(found.content)
    assert sorted(message.keys()) == sorted(HEADERS)
    assert message.get_content_type() == "multipart/alternative"
    assert [part.get_content_type() for part in message.iter_parts()] == ["text/plain", "text/html"]
    owned = template in FOR_OWNERS
    assert message["To"] == found.recipient == (ADDRESS if owned else "specialist@example.org")
    where = f"/follow/{LINK}" if owned else f"/desk/requests/{ID}"
    page = Page(text_of(message, "html"))
    links = [about["href"] for tag, about in page.elements if tag == "a"]
    assert links == [f"https://values.example.org{where}"]
    assert f"\n{links[0]}\n" in text_of(message)
    for text in (text_of(message), page.text):
        assert (NAME in text) is owned
        assert "{" not in text and "}" not in text
    assert NAME not in message["Subject"] and LINK not in message["Subject"] and ID in message["Subject"]
    assert message["Message-ID"] == "<7-ab@example.org>"
    assert message["Content-Language"] == (language if owned else "en")


@pytest.mark.parametrize("template", TEMPLATES)
def test_an_e_mail_fetches_nothing_and_runs_nothing(template: str) -> None:
    page = Page(text_of(parsed(letter(template).content), "html"))
    assert {tag for tag, _ in page.elements} <= ELEMENTS
    for _, about in page.elements:
        assert set(about) <= {"lang", "charset", "style", "href"}
        assert "url(" not in (about.get("style") or "")


@pytest.mark.parametrize("language", languages())
def test_where_a_value_is_spoken_of_it_says_what_a_value_is_not(language: str) -> None:
    words = {"en": ("estimate", "appraisal"), "de": ("Schätzung", "Gutachten")}[language]
    for template in ("received", "reported", "corrected"):
        message = parsed(letter(template, language=language).content)
        for kind in ("plain", "html"):
            text = " ".join(text_of(message, kind).split())
            assert all(word in text for word in words), (template, kind)
    # The e-mail that speaks of no value says nothing of one.
    assert words[1] not in text_of(parsed(letter("question", language=language).content))


def test_the_languages_differ_and_an_unknown_one_is_english() -> None:
    subjects = {
        language: parsed(letter(language=language).content)["Subject"] for language in ("en", "de", "xx")
    }
    assert subjects == {
        "en": f"We have your request {ID}",
        "de": f"Ihre Anfrage {ID} ist angekommen",
        "xx": f"We have your request {ID}",
    }


def test_the_plain_text_can_be_read_and_quotes_the_question() -> None:
    words = "Is the headstock sound?\r\n\r\nPlease look <b>behind</b> it too. " + "word " * 40
    found = text_of(parsed(letter("question", context=json.dumps({"words": words})).content))
    assert max(map(len, found.splitlines())) <= 78
    assert found.startswith(f"Dear {NAME},\n\n")
    assert "\n> Is the headstock sound?\n>\n> Please look <b>behind</b> it too. word" in found
    page = text_of(parsed(letter("question", context=json.dumps({"words": words})).content), "html")
    assert "Please look &lt;b&gt;behind&lt;/b&gt; it too." in page


def test_the_specialist_s_own_word_stands_below_what_is_quoted() -> None:
    row = {"context": json.dumps({"words": "It is too far away."}), "reply": json.dumps("Yours, the desk")}
    found = text_of(parsed(letter("declined", **row).content))
    assert "\n> It is too far away.\n>\n> Yours, the desk\n" in found


def test_lines_are_as_a_mail_server_takes_them() -> None:
    found = letter("question", context=json.dumps({"words": "ä" * 3000}), owner="Ж" * 3000)
    lines = found.content.split(b"\r\n")
    assert max(map(len, lines)) <= 998 and b"\n" not in b"".join(lines)
    assert found.content.isascii() and not found.utf8


def checked(name: str, words: str, email: str = ADDRESS) -> None:
    """Hold an e-mail with these words to what every e-mail is."""
    found = letter("question", owner=name, context=json.dumps({"words": words}), email=email)
    message = parsed(found.content)
    assert sorted(message.keys()) == sorted(HEADERS)
    parts = list(message.iter_parts())
    assert [part.get_content_type() for part in parts] == ["text/plain", "text/html"]
    assert message["Subject"] == f"A question about your request {ID}"
    assert [str(address) for address in message["To"].addresses] == [found.recipient]
    page = Page(text_of(message, "html"))
    assert {tag for tag, _ in page.elements} <= ELEMENTS
    assert [about["href"] for tag, about in page.elements if tag == "a"] == [
        f"https://values.example.org/follow/{LINK}"
    ]
    greeting = text_of(message).split("\n\n")[0]
    assert len(greeting) <= 95 and greeting.startswith(("Dear", "Hello,"))
    assert all(c.isprintable() or c == "\n" for c in text_of(message))


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_words_add_no_header_and_break_no_part(text: str) -> None:
    checked(text, text)


@given(st.text(), st.text())
def test_no_words_add_a_header_or_break_a_part(name: str, words: str) -> None:
    checked(name, words)


@given(st.one_of(st.emails(), st.text(max_size=300), st.from_regex(r"[^@]{1,70}@[^@]{1,70}", fullmatch=True)))
def test_an_address_is_written_to_alone_or_not_at_all(email: str) -> None:
    found = composed(email=email)
    if found is None:
        return
    message = parsed(found.content)
    assert sorted(message.keys()) == sorted(HEADERS)
    # The parser leaves what is not ASCII as the bytes that it was.
    written = [a.addr_spec.encode(errors="surrogateescape").decode() for a in message["To"].addresses]
    assert written == [found.recipient]
    assert re.search(r"[\s<>,;:]", found.recipient) is None


def test_a_name_of_nothing_that_can_be_read_is_greeted_without_it() -> None:
    assert text_of(parsed(letter(owner=" \x00\u202e ").content)).startswith("Hello,\n\n")


def test_hypothesis_meets_addresses_that_are_written_to() -> None:
    assert letter(email="a.b+c@mail.example.org").recipient == "a.b+c@mail.example.org"
