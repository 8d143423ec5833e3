"""From an owner's first answer to the signed report, through the pages alone, from an empty service.

`PATH_SHOTS=DIR` keeps the screenshots and the report's pages; `PATH_STORE=DIR` takes price models that were
fitted, in place of the fake one.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from email import message_from_bytes
from email.policy import default
from pathlib import Path

import pytest
from desk_visits import Desk, opened
from desk_visits import visit as desk_visit
from fakes import write_fake
from form_visits import OWNER, Visit, photograph, visit
from playwright.sync_api import Browser, Page, expect
from report_facts import SETTINGS

from models.bundles.registry import Registry

STORE = os.environ.get("PATH_STORE")
COLORS = {"front": "#8a3b12", "back": "#5b3015", "headstock_front": "#2a0f07"}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    store = Path(STORE) if STORE else tmp_path / "store"
    if not STORE:
        Registry(store).promote(write_fake(store), who="tests", why="to serve")
    with opened(tmp_path, store, fake=not STORE) as found:
        yield found


class Album:
    """Screenshots of each step, in order."""

    def __init__(self, folder: Path) -> None:
        self.folder = Path(os.environ.get("PATH_SHOTS") or folder / "shots")
        self.folder.mkdir(parents=True, exist_ok=True)
        self._count = 0

    def keep(self, page: Page, name: str) -> None:
        self._count += 1
        page.screenshot(path=self.folder / f"{self._count:02}-{name}.png", full_page=True)


def answer(form: Visit, name: str) -> None:
    """Give some answer to a question, other than that one does not know."""
    control = form.control(name)
    match control.evaluate("one => one.tagName"):
        case "FIELDSET":
            control.locator("input").nth(2).check(force=True)
        case "SELECT":
            control.select_option(index=2)
        case _:
            control.fill("3")
            control.press("Tab")  # a click would only close the list of what is offered


def owner_asks(browser: Browser, desk: Desk, album: Album, folder: Path) -> str:
    """Fill in the form with half of it unknown, three photographs, two answers; return the private link."""
    maker = desk.api("GET", "/v1/catalogue")["makers"][0]
    model = maker["models"][0]
    with visit(browser, desk.url, "/form", 360) as form:
        album.keep(form.page, "form")
        form.fill(**{"instrument.maker": maker["name"], "instrument.model": model["name"]})
        form.fill(**{"instrument.year": str(model["first_year"] + 1), "instrument.serial": "K 4711"})
        form.grade("instrument.condition.top", "Light")
        form.grade("instrument.condition.back", "Light")
        form.control("instrument.condition.structure").select_option("sound")
        form.grade("purpose", "I want to sell it")
        form.fill(**{"asked.amount": "4,000", "message": "It was my aunt's."}, **OWNER)
        for view, color in COLORS.items():
            form.control(f"photograph.{view}").set_input_files(photograph(folder, view, color))
        form.control("consent").check()
        album.keep(form.page, "form-filled-in")
        form.page.locator("button.send").click()
        form.page.wait_for_selector("form.card .fields")
        form.page.wait_for_selector(".uploads li:has-text('✓') >> nth=2")
        questions = form.page.locator("form.card .fields > [data-name]")
        for at in range(2):
            answer(form, questions.nth(at).get_attribute("data-name") or "")
        album.keep(form.page, "two-questions")
        form.page.get_by_role("button", name="Send these answers").click()
        form.page.wait_for_selector(".value")
        album.keep(form.page, "range")
        assert form.console == [] and form.hosts == {desk.url.removeprefix("http://")}
        link = form.page.get_by_role("link", name="Open my page").get_attribute("href")
        assert link is not None
        return link


def specialist_reports(browser: Browser, desk: Desk, album: Album) -> None:
    """Sign in, fill in the settings, grade, adjust with a reason, and issue."""
    seen = desk_visit(browser, desk)
    seen.sign_in()
    page = seen.page
    album.keep(page, "queue")
    seen.go("/desk/reports")
    for name, text in SETTINGS.items():
        page.fill(f"#f-{name.replace('_', '-')}", str(text))
    with page.expect_navigation():  # to this page itself: what follows would break off the saving
        page.click("text=Save the settings")
    seen.go("/desk/reports")
    expect(page.locator("main")).not_to_contain_text("Still needed")
    album.keep(page, "report-settings")
    seen.go("/desk")
    page.click("tbody tr:first-child a >> nth=0")
    page.wait_for_url("**/desk/requests/*")
    album.keep(page, "request")
    page.select_option("#f-instrument-condition-neck", "3")
    page.wait_for_function("() => document.querySelector('#value').innerText.includes('not saved')")
    page.click('button[value="save"]')
    page.wait_for_url("**#grading")
    page.click('input[name="by"][value="per_cent"]')
    page.fill("#f-adjustment-per-cent", "-5")
    page.fill("#f-adjustment-reason", "The case smells of smoke.")
    page.click("#adjustment button")
    page.wait_for_url("**#adjustment")
    album.keep(page, "graded-and-adjusted")
    page.select_option("#f-type-of-value", "fair_market_value")
    page.fill("#f-intended-use", "To decide upon a price to sell it at.")
    page.click("text=Issue the report >> nth=-1")
    page.wait_for_selector("text=Issued reports, oldest first")
    album.keep(page, "issued")
    assert seen.said == [] and seen.hosts() == {desk.url}


def test_from_an_owners_first_answer_to_the_signed_report(
    browser: Browser, desk: Desk, tmp_path: Path
) -> None:
    album = Album(tmp_path)
    link = owner_asks(browser, desk, album, tmp_path)
    specialist_reports(browser, desk, album)
    with visit(browser, "", link, 360) as follow:
        album.keep(follow.page, "follow")
        address = follow.page.locator('a[href$=".pdf"]').get_attribute("href")
        assert address is not None and address.startswith("/follow/")
        answer = follow.page.request.get(desk.url + address)
        assert answer.status == 200 and answer.headers["content-type"] == "application/pdf"
        report = tmp_path / "report.pdf"
        report.write_bytes(answer.body())
        follow.page.goto(desk.url + address.replace(".pdf", ".html"))
        text = follow.page.inner_text("body")
        album.keep(follow.page, "report-page")
    assert "The case smells of smoke." in text and "fair market value" in text.lower()
    told = re.search(r"\b[0-9a-f]{64}\b", re.sub(r"\s", "", text)) or re.search(r"[0-9a-f]{64}", text)
    assert told is not None
    verified = desk.api(
        "POST",
        f"/v1/reports/{address.rpartition('/')[2].removesuffix('.pdf')}/verification",
        content=report.read_bytes(),
        headers={"Content-Type": "application/pdf"},
    )
    assert verified["is_report"] is True
    pages = shutil.which("pdftoppm")
    if pages:  # to be looked at; the suite itself needs none of it
        subprocess.run([pages, "-r", "60", "-png", report, album.folder / "report"], check=True)
    assert len(told_of(tmp_path, link)) == 2  # that the request has come, and that the report is there


def told_of(folder: Path, link: str) -> set[str]:
    """The subjects of the e-mails that name this link, once there are two, or none more come."""
    end = time.monotonic() + 30
    found: set[str] = set()
    while len(found) < 2 and time.monotonic() < end:
        time.sleep(0.5)
        for path in folder.rglob("*.eml"):
            mail = message_from_bytes(path.read_bytes(), policy=default)
            plain = mail.get_body(("plain",))
            assert plain is not None
            if link.rpartition("/")[2] in plain.get_content():
                found.add(str(mail["Subject"]))
    return found
