"""The one line of `docs/website.md` in somebody else's page, of another origin and with a strict policy."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from fakes import write_fake
from form_visits import OWNER, UNLIMITED, Desk, Visit, photograph, visit
from playwright.sync_api import Browser, expect
from running import Running

from models.bundles.registry import Registry

DOCUMENT = (Path(__file__).parents[2] / "docs" / "website.md").read_text(encoding="utf-8")
POLICY = re.findall(r"`(default-src .*?)`", DOCUMENT)[0]
# A style that would reach everything, and a page whose own words would be spoiled by a style of ours.
HOSTILE = "* { font-size: 40px !important; color: lime !important; display: inline !important }"
BEFORE = "<!doctype html><html lang=en><head><title>Guitars</title><link rel=icon href=data:,>"


class Pages(ThreadingHTTPServer):
    """A website: what it sends at each path, with the policy that the document names."""

    found: dict[str, tuple[str, str]]
    policy: str


class Page(BaseHTTPRequestHandler):
    server: Pages

    def do_GET(self) -> None:
        kind, body = self.server.found.get(self.path, ("text/plain", ""))
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Security-Policy", self.server.policy)
        self.end_headers()
        self.wfile.write(body.encode())

    def log_message(self, *_: Any) -> None:
        """Say nothing."""


@contextmanager
def site() -> Iterator[Pages]:
    with Pages(("127.0.0.1", 0), Page) as server:
        server.found = {"/style.css": ("text/css", HOSTILE)}
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server
        server.shutdown()


def origin_of(server: Pages) -> str:
    return f"http://127.0.0.1:{server.server_port}"


class Sites(NamedTuple):
    """A service, a website with its key, and one that no key names."""

    desk: Desk
    own: Pages
    strange: Pages


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sites]:
    folder: Path = tmp_path_factory.mktemp("service")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    with (
        Running(folder, folder / "store", settings=UNLIMITED) as service,
        site() as own,
        site() as strange,
    ):
        made = service.done(
            "keys", "create", "site", "--website", "--origin", origin_of(own), "--url", service.url
        )
        (tag,) = re.findall(r"<script .*</script>", made.stderr)
        for server in (own, strange):
            server.policy = POLICY.replace("https://values.example.org", service.url)
            for name, line in {
                "/": tag,
                "/no-range": tag.replace(" defer", ' data-range="no" data-reference="ad 7" defer'),
                "/de": tag.replace('"en"', '"de"'),
            }.items():
                styled = "<link rel=stylesheet href=/style.css>" if name == "/" else ""
                body = (
                    f"{BEFORE}{styled}</head><body><main><h1 id=own>Guitars</h1>{line}</main></body></html>"
                )
                server.found[name] = ("text/html; charset=utf-8", body)
        yield Sites(Desk(service), own, strange)


def fill_in(form: Visit) -> None:
    form.fill(
        **{"instrument.maker": "Ostvik", "instrument.model": "Fjell 2", "instrument.year": "1962"}, **OWNER
    )
    form.grade("instrument.condition.neck", "Light")
    form.control("consent").check()


@pytest.mark.parametrize("width", [360, 1200])
def test_one_line_puts_the_form_into_any_page(
    browser: Browser, sites: Sites, tmp_path: Path, width: int
) -> None:
    with visit(browser, origin_of(sites.own), "/", width) as form:
        form.page.wait_for_selector("button.send")
        form.shoot("embedded", tmp_path)
        label, own = form.page.locator("label[for='f-instrument-maker']"), form.page.locator("#own")
        for one, size, color in (
            (label, "15.6px", "rgb(43, 33, 26)"),  # as in our own page
            (own, "40px", "rgb(0, 255, 0)"),  # as in theirs
        ):
            expect(one).to_have_css("font-size", size)
            expect(one).to_have_css("color", color)
        fill_in(form)
        form.control("photograph.front").set_input_files(photograph(tmp_path, "front", "#8a3b12"))
        form.page.locator("button.send").click()
        form.page.wait_for_selector(".uploads li:has-text('✓')")
        form.page.wait_for_selector("form.card .fields")
        form.control(
            form.page.locator("form.card .fields > [data-name]").first.get_attribute("data-name") or ""
        ).wait_for()
        form.page.get_by_role("button", name="Skip the questions").click()
        form.page.wait_for_selector(".value")
        form.shoot("embedded-range", tmp_path)
        link = form.page.get_by_role("link", name="Open my page").get_attribute("href")
        assert link is not None and link.startswith(f"{sites.desk.service.url}/follow/bmf_")
        assert form.console == []  # nothing of it meets the page's policy
        assert form.hosts == {
            one.removeprefix("http://") for one in (origin_of(sites.own), sites.desk.service.url)
        }
    kept = sites.desk.last()
    assert [one["view"] for one in kept["photographs"]] == ["front"] and kept["valuation"] is not None


def test_a_site_chooses_that_no_range_is_shown_and_gets_its_reference_back(
    browser: Browser, sites: Sites
) -> None:
    with visit(browser, origin_of(sites.own), "/no-range") as form:
        fill_in(form)
        form.page.locator("button.send").click()
        form.page.get_by_role("button", name="Skip the questions").click()
        form.page.wait_for_selector("text=A specialist will look at your photographs")
        expect(form.page.locator(".value")).to_have_count(0)
        form.check_access()
    kept = sites.desk.last()
    assert (kept["valuation"], kept["valuation_id"], kept["reference"]) == (None, None, "ad 7")


def test_it_speaks_another_language(browser: Browser, sites: Sites, tmp_path: Path) -> None:
    with visit(browser, origin_of(sites.own), "/de") as form:
        fill_in_german(form)
        expect(form.page.locator("#own")).to_have_text("Guitars")
        form.shoot("embedded-de", tmp_path)
        form.check_access()
        form.page.locator("button.send").click()
        form.page.get_by_role("button", name="Fragen überspringen").click()
        expect(form.page.locator(".after")).to_contain_text("In 80 von 100 solchen Fällen")
    assert sites.desk.last()["language"] == "de"


def fill_in_german(form: Visit) -> None:
    form.fill(
        **{"instrument.maker": "Ostvik", "instrument.model": "Dal", "instrument.weight_kg": "3,9"}, **OWNER
    )
    form.grade("instrument.condition.neck", "Leicht")
    form.control("consent").check()


def test_a_fault_gets_the_focus_within_the_page(browser: Browser, sites: Sites) -> None:
    with visit(browser, origin_of(sites.own), "/no-range") as form:
        form.page.wait_for_selector("button.send")
        form.fill(**{"instrument.maker": "Ostvik"})
        form.page.locator("button.send").click()
        expect(form.page.locator("#summary")).to_be_focused()
        expect(form.page.locator("#f-instrument-model-fault")).to_have_text("Please fill this in.")
        form.page.locator("#summary a").first.click()
        expect(form.control("instrument.model")).to_be_focused()


def test_a_page_of_an_origin_that_no_key_names_gets_no_form(browser: Browser, sites: Sites) -> None:
    with visit(browser, origin_of(sites.strange), "/no-range") as form:
        expect(form.page.locator("[role=alert]")).to_contain_text("The form cannot be shown")
        expect(form.page.locator("form")).to_have_count(0)


def test_a_later_request_is_proved_by_the_visitors_own_browser(
    browser: Browser, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder: Path = tmp_path_factory.mktemp("proved")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    settings = {**UNLIMITED, "BOOKMATCH_LIMIT_UNPROVED_REQUESTS": "1"}
    with Running(folder, folder / "store", settings=settings) as service:
        desk = Desk(service)
        for _ in range(2):
            with visit(browser, service.url, "/form") as form:
                fill_in(form)
                form.page.locator("button.send").click()
                form.page.wait_for_selector("text=Your own page", timeout=60_000)
        assert len(desk.requests()) == 2
        with visit(browser, service.url, "/form", java_script_enabled=False) as form:
            fill_in(form)
            form.page.locator("button.send").click()
            expect(form.page.locator("main")).to_contain_text("try again in 3600 seconds")
        assert len(desk.requests()) == 2
