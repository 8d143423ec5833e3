"""Reports over HTTP: what they say, that amounts add up, that they never change, and who may read them."""

from __future__ import annotations

import hashlib
import io
import json
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pytest
from apps import NewDatabase, caller_of, make_app, parts
from asking import Caller, assert_problem
from flask import Flask
from report_facts import DAY, SETTINGS
from reporting import Page, amount, issued, pdf_text, photographed, requested, settled, sums_of
from sqlalchemy import select

from service.db.engine import reading
from service.db.request_tables import EVENTS, REPORTS, REQUESTS

REASON = "Its neck is livelier in hand than photographs show."
ADJUSTED = json.dumps({"per_cent": "5", "reason": REASON})


@dataclass
class Issued:
    """One report that was issued, in all its forms."""

    app: Flask
    specialist: Caller
    request_id: str
    link: str
    answer: Any
    content: bytes
    html: bytes
    pdf: bytes
    photograph: str

    @property
    def said(self) -> Any:
        return json.loads(self.content)

    @property
    def forms(self) -> dict[str, bytes]:
        return {"json": self.content, "html": self.html, "pdf": self.pdf}

    def verify(self, data: bytes) -> Any:
        path = f"/v1/reports/{self.answer['id']}/verification"
        found = Caller(self.app, None).post(path, data, **{"Content-Type": "application/octet-stream"})
        assert found.status_code == 200, found.text
        return found.json


@pytest.fixture(scope="module")
def report(shared_app: Flask) -> Issued:
    """A report with a photograph, an adjustment and a part to inspect, on SQLite and on PostgreSQL."""
    specialist = caller_of(shared_app, "requests")
    settled(specialist)
    request_id, link = requested(shared_app, adjustment=ADJUSTED, in_hand='["condition.frets"]')
    digest = photographed(shared_app, request_id)
    answer = issued(specialist, request_id)
    forms = [specialist.get(f"/v1/reports/{answer['id']}{end}") for end in ("", ".html", ".pdf")]
    assert [form.status_code for form in forms] == [200, 200, 200]
    return Issued(
        shared_app, specialist, request_id, link, answer, *(form.get_data() for form in forms), digest
    )


# ── what it says ─────────────────────────────────────────────────────────────

# The 14 items of a written report (USPAP Standards Rule 8-2(a)), each with words that only it prints.
ITEMS = {
    "client": ["Client", "Ms Owner"],
    "other intended users": ["Other intended users", SETTINGS["intended_users"]],
    "intended use": [
        "Intended use",
        "To help the client choose the sum for which the instrument is insured.",
    ],
    "identification": ["Property", "1964 Ostvik Fjell 2", "F 1234"],
    "interest": ["Interest appraised", SETTINGS["interest"]],
    "type of value": ["Type of value", "Fair market value"],
    "definition": ["neither being under any compulsion to buy or to sell", "26 CFR 20.2031-1(b)"],
    "dates": ["Effective date", "2 January 2026", "Report date"],
    "scope of work": ["Scope of work", SETTINGS["scope_of_work"]],
    "assistance": ["Assistance", SETTINGS["assistance"]],
    "methods and reasoning": [SETTINGS["exclusions"], "The reasons in words", "Comparable sales"],
    "use": ["Use of the property", SETTINGS["use"]],
    "market level": ["Market level", "The retail market: what a member of the public pays to a dealer."],
    "assumptions": [
        "Extraordinary assumptions and hypothetical conditions",
        "Their use might have affected the value.",
        "Hypothetical conditions",
    ],
    "certification": [SETTINGS["certification"], SETTINGS["signature"], SETTINGS["qualifications"]],
}


@pytest.mark.parametrize("item", ITEMS)
def test_each_item_of_a_written_report_stands_on_the_page_and_in_the_pdf(report: Issued, item: str) -> None:
    for text in (Page(report.html).text, pdf_text(report.pdf)):
        for words in ITEMS[item]:
            assert words in text, item


def test_it_says_what_is_the_specialists_own_and_what_is_to_be_inspected(report: Issued) -> None:
    for text in (Page(report.html).text, pdf_text(report.pdf)):
        for words in (REASON, "The specialist's own adjustment, which is not the price model's", "Fret wear"):
            assert words in text
        assert "To be inspected in hand, because photographs cannot tell: Fret wear" in text
        assert report.answer["digest"] in text.replace(" ", "")
        assert report.said["price_model"]["version"] in text


def test_a_photograph_is_in_the_page_by_its_digest(report: Issued) -> None:
    shown = [attrs for tag, attrs in Page(report.html).tags if tag == "img"]
    sources = [attrs["src"] or "" for attrs in shown]
    assert all(source.startswith("data:image/") for source in sources) and all(i["alt"] for i in shown)
    assert sum(source.startswith("data:image/jpeg") for source in sources) == 1
    assert [p["digest"] for p in report.said["property"]["photographs"]] == [report.photograph]


# ── amounts on paper ─────────────────────────────────────────────────────────


def test_the_printed_steps_add_up_to_the_cent(report: Issued) -> None:
    assert sums_of(Page(report.html)) == [
        "The price model's middle estimate of this instrument",
        "The value concluded",
    ]


def test_the_printed_grid_adds_up_down_each_column(report: Issued) -> None:
    page = Page(report.html)
    for caption in ("From each sale to this instrument", "From each price asked"):
        rows = page.table(caption)
        for column in range(1, len(rows[0])):
            total = None
            for row in rows[1:]:
                printed = amount(row[column])
                if row[0] == "As recorded":
                    total = printed
                elif row[0] in ("At this day and market", "Adjusted to this one"):
                    assert printed == total
                else:
                    total = (total or Decimal(0)) + printed
            assert total is not None


def test_the_same_amounts_are_in_the_pdf(report: Issued) -> None:
    text = pdf_text(report.pdf)
    for _, cell in Page(report.html).table("The same in amounts")[1:]:
        assert cell in text


def test_the_adjustment_is_beside_the_models_value(report: Issued) -> None:
    (row,) = Page(report.html).table("The price model's figure")[1:]
    model, by, concluded = map(amount, row[1:])
    assert model + by == concluded and by == (model * Decimal("0.05")).quantize(Decimal("0.01"))


# ── whether bytes are it ─────────────────────────────────────────────────────


def test_the_printed_digest_is_of_what_get_answers(report: Issued) -> None:
    assert hashlib.sha256(report.content).hexdigest() == report.answer["digest"]
    again = json.dumps(report.said, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert again.encode() == report.content


@pytest.mark.parametrize("form", ["json", "html", "pdf"])
def test_its_bytes_are_it_and_one_changed_byte_is_not(report: Issued, form: str) -> None:
    data = report.forms[form]
    assert report.verify(data)["is_report"] is True and report.verify(data)["form"] == form
    changed = bytearray(data)
    changed[len(data) // 2] ^= 1
    for other in (bytes(changed), data[:-1], data + b" ", b""):
        found = report.verify(other)
        assert (found["is_report"], found["form"]) == (False, None)


def test_the_code_leads_to_a_page_that_marks_its_digest(report: Issued) -> None:
    report_id, digest = report.answer["id"], report.answer["digest"]
    assert f"/verify/{report_id}#{digest}" in Page(report.html).text
    found = Caller(report.app, None).get(f"/verify/{report_id}")
    page = Page(found.get_data())
    assert ("code", {"id": digest}) in page.tags and "Version 1" in page.text
    assert not [tag for tag, _ in page.tags if tag == "script"]
    for personal in ("Ms Owner", "Ostvik", "F 1234", "Ada Holm"):
        assert personal not in found.text
    policy = found.headers["Content-Security-Policy"]
    assert "unsafe" not in policy and "form-action 'self'" in policy


@pytest.mark.parametrize("form", ["json", "html", "pdf"])
def test_the_page_compares_a_file_without_script(report: Issued, form: str) -> None:
    path = f"/verify/{report.answer['id']}"
    for data, word in ((report.forms[form], "Yes"), (report.forms[form] + b"x", "No")):
        sent = {"file": (io.BytesIO(data), "it.bin")}
        found = report.app.test_client().post(path, data=sent, content_type="multipart/form-data")
        assert found.status_code == 200 and word in Page(found.get_data()).words


def test_a_file_that_is_too_large_is_refused(
    fake_store: Any, new_database: NewDatabase, report: Issued
) -> None:
    app = make_app(fake_store, new_database("sqlite"), report_limit=1024)
    path = f"/v1/reports/{report.answer['id']}/verification"
    form = {"Content-Type": "application/pdf"}
    assert_problem(Caller(app, None).post(path, b"x" * 1025, **form), 413, "too-large")
    parts(app).engine.dispose()


# ── once ─────────────────────────────────────────────────────────────────


def test_issuing_moves_the_request_and_says_so_once(report: Issued) -> None:
    with reading(parts(report.app).engine) as connection:
        state = select(REQUESTS.c.state).where(REQUESTS.c.id == report.request_id)
        assert connection.execute(state).scalar() == "reported"
        mine = select(EVENTS).where(EVENTS.c.request_id == report.request_id)
        (event,) = connection.execute(mine).all()
    told = json.loads(event.detail)
    assert (event.action, told["to"], told["report"]) == ("moved", "reported", report.answer["id"])
    for personal in ("Owner", "owner@home.example"):
        assert personal not in event.detail


def test_the_same_key_issues_one_report(report: Issued) -> None:
    request_id, _ = requested(report.app)
    body = {"type_of_value": "auction_estimate", "effective_date": DAY}
    path, key = f"/v1/requests/{request_id}/reports", {"Idempotency-Key": "once"}
    answers = [report.specialist.post(path, body, **key) for _ in range(2)]
    assert [found.status_code for found in answers] == [201, 201]
    assert answers[0].get_data() == answers[1].get_data()
    # The answer is no report, so it has no tag of one: only the address.
    assert {*answers[1].headers.keys()}.isdisjoint({"ETag", "Content-Location"})
    assert answers[1].headers["Location"] == f"/v1/reports/{answers[0].json['id']}"
    with reading(parts(report.app).engine) as connection:
        kept = connection.execute(select(REPORTS.c.id).where(REPORTS.c.request_id == request_id)).all()
    assert len(kept) == 1
    files = [key for key in parts(report.app).blobs.keys("reports") if kept[0].id in key]
    assert len(files) == 2


# ── who may read it ──────────────────────────────────────────────────────────


@pytest.mark.parametrize("end", ["", ".html", ".pdf"])
def test_the_owner_of_that_request_and_no_other_reads_it(report: Issued, end: str) -> None:
    path = f"/v1/reports/{report.answer['id']}{end}"
    mine = Caller(report.app, report.link).get(path)
    assert mine.get_data() == report.forms[end[1:] or "json"] and "noindex" in mine.headers["X-Robots-Tag"]
    assert mine.headers["Cache-Control"] == "private, no-store"  # it names the owner
    _, other = requested(report.app)
    assert_problem(Caller(report.app, other).get(path), 404, "record")
    assert_problem(Caller(report.app, None).get(path), 401, "key-missing")
    assert_problem(caller_of(report.app, "valuations").get(path), 403, "scope")


def test_the_page_runs_under_a_policy_that_lets_nothing_else_in(report: Issued) -> None:
    found = report.specialist.get(f"/v1/reports/{report.answer['id']}.html")
    policy = found.headers["Content-Security-Policy"]
    assert "unsafe" not in policy and "default-src 'none'" in policy and "style-src 'sha256-" in policy
    page = Page(report.html)
    assert not [tag for tag, attrs in page.tags if tag == "script" or "style" in attrs]
    assert [tag for tag, _ in page.tags].count("style") == 1
