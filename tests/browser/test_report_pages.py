"""A report's page, and the page that compares a file with it, looked at with a real browser."""

from __future__ import annotations

import io
import json
import secrets
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
import zxingcpp
from axe_playwright_python.sync_playwright import Axe
from fakes import write_fake
from owner_rows import request_row
from PIL import Image
from playwright.sync_api import Browser, Page, expect
from report_facts import GRADED, SETTINGS
from running import SECRET, Running
from sqlalchemy import insert

from models.bundles.registry import Registry
from service.db.engine import open_engine, writing
from service.db.request_tables import CONTACTS, REQUESTS
from service.keys.records import KeyRing


@dataclass
class Visit:
    """A report of a running service, and what the browser complained of or asked for."""

    url: str
    link: str
    report: Any
    pdf: Path
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def open(self, browser: Browser, path: str, *, width: int = 360, script: bool = True) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": 800},
            java_script_enabled=script,
            extra_http_headers={"Authorization": f"Bearer {self.link}"} if path.startswith("/v1") else {},
        )
        page = context.new_page()
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda message: self.complaints.append(message.text))
        answer = page.goto(f"{self.url}{path}", wait_until="networkidle")
        assert answer is not None and answer.status == 200
        return page

    def is_quiet(self) -> bool:
        own = all(url.startswith((self.url, "data:")) for url in self.requests)
        return own and self.requests != [] and self.complaints == []


@pytest.fixture(scope="module")
def issued(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visit]:
    folder = tmp_path_factory.mktemp("reports")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    with Running(folder, folder / "store") as service:
        engine = open_engine(f"sqlite:///{folder / 'service.db'}")
        ring, link = KeyRing(engine, SECRET), f"bmf_{secrets.token_hex(16)}"
        key_id, key = ring.create("the specialist", ["requests"])
        row = request_row("req_seen", key_id, ring.digest(link))
        row |= {"state": "reviewing", "graded": json.dumps(GRADED)}
        contact = {"request_id": "req_seen", "name": "Ms Owner", "email": "owner@home.example", "link": link}
        with writing(engine) as connection:
            connection.execute(insert(REQUESTS).values(row))
            connection.execute(insert(CONTACTS).values(contact))
        engine.dispose()
        with httpx.Client(
            base_url=service.url, headers={"Authorization": f"Bearer {key}"}, timeout=60
        ) as http:
            assert http.put("/v1/specialist", json=SETTINGS).status_code == 200
            asked = {"type_of_value": "fair_market_value", "effective_date": "2026-01-02"}
            found = http.post("/v1/requests/req_seen/reports", json=asked)
            assert found.status_code == 201, found.text
            pdf = folder / "report.pdf"
            pdf.write_bytes(http.get(f"/v1/reports/{found.json()['id']}.pdf").content)
        yield Visit(service.url, link, found.json(), pdf)


@pytest.fixture
def visit(issued: Visit) -> Visit:
    issued.requests.clear()
    issued.complaints.clear()
    return issued


def serious(page: Page) -> list[str]:
    """The violations that keep people out, by axe."""
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {one['help']}" for one in found if one["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("width", [360, 1200])
def test_the_owner_sees_the_report_in_its_own_style(browser: Browser, visit: Visit, width: int) -> None:
    page = visit.open(browser, f"/v1/reports/{visit.report['id']}.html", width=width)
    assert visit.is_quiet(), (visit.requests, visit.complaints)
    # The policy lets the page's style pass, which its digest names.
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(244, 238, 227)"
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("[...document.images].every(image => image.complete && image.naturalWidth > 0)")
    assert serious(page) == []
    page.context.close()


def test_the_page_of_the_code_marks_the_digest_that_the_report_prints(browser: Browser, visit: Visit) -> None:
    path, digest = f"/verify/{visit.report['id']}", visit.report["digest"]
    for printed, marked in ((digest, True), (digest[::-1], False)):
        page = visit.open(browser, f"{path}#{printed}")
        style = f"getComputedStyle(document.getElementById('{digest}')).backgroundColor"
        assert (page.evaluate(style) == "rgb(255, 233, 184)") is marked
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        assert serious(page) == []
        page.context.close()
    assert visit.is_quiet(), (visit.requests, visit.complaints)


def test_a_file_is_compared_by_keyboard_without_script(
    browser: Browser, visit: Visit, tmp_path: Path
) -> None:
    other = tmp_path / "other.pdf"
    other.write_bytes(visit.pdf.read_bytes() + b"\n")
    for file, word in ((visit.pdf, "Yes"), (other, "No")):
        page = visit.open(browser, f"/verify/{visit.report['id']}", script=False)
        page.keyboard.press("Tab")
        page.set_input_files("input[type=file]", file)
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.locator("[role=status] h2")).to_have_text(word)
        page.context.close()
    assert visit.is_quiet(), (visit.requests, visit.complaints)


def test_its_code_read_by_another_program_is_the_address_at_which_it_is_verified(
    browser: Browser, visit: Visit
) -> None:
    page = visit.open(browser, f"/v1/reports/{visit.report['id']}.html", width=1000)
    drawn = Image.open(io.BytesIO(page.locator("img.code").screenshot()))
    (code,) = zxingcpp.read_barcodes(drawn.convert("L"))
    printed = page.locator(".address").inner_text()
    assert code.text == printed
    assert code.text.endswith(f"/verify/{visit.report['id']}#{visit.report['digest']}")
    page.goto(f"{visit.url}/verify/{code.text.partition('/verify/')[2]}")
    assert visit.report["id"] in page.content() and page.url.endswith(visit.report["digest"])
