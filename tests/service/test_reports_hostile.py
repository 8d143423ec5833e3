"""Texts that try to run, to break out, or to be computed: in every text that a report repeats."""

from __future__ import annotations

import io
import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller
from pypdf import PdfReader
from report_facts import GRADED, SETTINGS
from reporting import Page, issued, pdf_text, reopened, requested, settled, unprinted

ATTEMPTS = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' style='background:url(//x.example)' x='",
    "{{7*7}} {% raw %}{{ config }}${7*7}",
    '=HYPERLINK("http://x.example";"y")',
    "javascript:alert(1) %0d%0aX-Injected: 1",
    "</style><style>*{display:none}</style><!-- ]]>",
    "../../../etc/passwd \\..\\..",
]
# One line each, several lines each: of the settings that a report prints.
PRINTED = [name for name in SETTINGS if name not in ("currency", "liquidation_share", "email")]


def attempted(specialist: Caller, text: str) -> tuple[dict[str, str], bytes, bytes]:
    """Issue a report in which every text is the attempt with the name of its field before it.

    Return what it should say, its page and its PDF.
    """
    told = {name: f"{name} {text}" for name in PRINTED}
    settled(specialist, **told, email=f"email{text}"[:200])
    own = ("intended_use", "extraordinary_assumptions", "hypothetical_conditions", "reason")
    asked = {name: f"{name} {text}" for name in own}
    adjustment = json.dumps({"per_cent": "1", "reason": f"adjustment {text}"})
    graded = {**GRADED, "serial": f"serial {text}", "finish": f"finish {text}", "edition": f"edition {text}"}
    request_id, _ = requested(specialist.app, graded, name=f"client {text}", adjustment=adjustment)
    with unprinted():
        first = issued(specialist, request_id)
    reopened(specialist, request_id)
    report_id = issued(specialist, request_id, replaces=first["id"], **asked)["id"]
    html, pdf = (specialist.get(f"/v1/reports/{report_id}{end}") for end in (".html", ".pdf"))
    assert html.status_code == pdf.status_code == 200
    words = {**told, **asked, "adjustment": f"adjustment {text}", "client": f"client {text}"}
    return {**words, "serial": f"serial {text}"}, html.get_data(), pdf.get_data()


@pytest.fixture(scope="module")
def specialist(fake_store: Path, new_database: NewDatabase) -> Iterator[Caller]:
    app = make_app(fake_store, new_database("sqlite"))
    yield caller_of(app, "requests")
    parts(app).engine.dispose()


@pytest.fixture(scope="module")
def harmless(specialist: Caller) -> Counter[str]:
    with unprinted():
        return shape(attempted(specialist, "harmless")[1])


def shape(page: bytes) -> Counter[str]:
    """Count the elements of a page, each with its attributes."""
    return Counter(f"{tag} {sorted(attrs)}" for tag, attrs in Page(page).tags)


@pytest.mark.parametrize("text", ATTEMPTS)
def test_a_hostile_text_is_shown_as_it_is_and_does_nothing(
    specialist: Caller, harmless: Counter[str], text: str
) -> None:
    with unprinted():
        words, html, _ = attempted(specialist, text)
    assert shape(html) == harmless
    shown = Page(html).text
    for name, said in words.items():
        assert " ".join(said.split()) in shown, name
    said = specialist.get("/v1/specialist").json["settings"]
    assert said["name"] == f"name {text}"


# A line of a report has room for half of them.
@pytest.mark.parametrize("text", [" ".join(ATTEMPTS[:4]), " ".join(ATTEMPTS[4:])])
def test_hostile_texts_are_printed_as_they_are_and_do_nothing(specialist: Caller, text: str) -> None:
    words, _, pdf = attempted(specialist, text)
    printed = pdf_text(pdf).replace(" ", "")
    for name, said in words.items():
        assert "".join(said.split()) in printed, name
    reader = PdfReader(io.BytesIO(pdf))
    assert not any("/Annots" in page for page in reader.pages)
    assert not {"/OpenAction", "/Names", "/AcroForm"} & reader.trailer["/Root"].keys()


def test_lines_and_headers_stay_what_they_are(specialist: Caller) -> None:
    settled(specialist, address="a street\r\nX-Injected: 1\r\n\r\n<b>c</b>")
    request_id, _ = requested(specialist.app, name="Ms\r\nX-Injected: 1\r\n\r\nOwner")
    report_id = issued(specialist, request_id)["id"]
    for end in ("", ".html", ".pdf"):
        assert "X-Injected" not in specialist.get(f"/v1/reports/{report_id}{end}").headers
    page = Page(specialist.get(f"/v1/reports/{report_id}.html").get_data())
    assert "a street X-Injected: 1 <b>c</b>" in page.text
    for one_line in ("name", "signature", "business", "email", "interest"):
        refused: Any = specialist.ask("put", "/v1/specialist", {**SETTINGS, one_line: "a\r\nb: c"})
        assert refused.status_code == 422


@pytest.mark.parametrize(
    "path",
    [
        "/verify/<script>alert(1)</script>",
        "/verify/..%2f..%2fetc%2fpasswd",
        "/verify/rep_%00",
        "/v1/reports/..%2f..%2fx.pdf",
        "/v1/reports/rep_'%20or%201=1.html",
        "/v1/reports/rep_%0d%0aX-Injected:1.pdf",
    ],
)
def test_a_hostile_id_names_no_report(specialist: Caller, path: str) -> None:
    found = specialist.get(path)
    assert found.status_code == 404 and found.mimetype == "application/problem+json"
    assert "X-Injected" not in found.headers
