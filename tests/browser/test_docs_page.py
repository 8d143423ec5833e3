"""The documentation's page, looked at with a real browser."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from fakes import write_fake
from playwright.sync_api import Browser, Page, expect
from running import Running

from models.bundles.registry import Registry

HTTP_METHODS = {"get", "put", "post", "delete", "patch"}


@dataclass
class Visit:
    """The page, and what happened while it loaded."""

    page: Page
    origin: str
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def visit(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visit]:
    folder = tmp_path_factory.mktemp("service")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    with Running(folder, folder / "store") as service:
        visit = Visit(browser.new_page(viewport={"width": 1200, "height": 900}), service.url)
        visit.page.on("request", lambda request: visit.requests.append(request.url))
        visit.page.on("requestfailed", lambda request: visit.complaints.append(f"failed: {request.url}"))
        visit.page.on("pageerror", lambda error: visit.complaints.append(str(error)))
        visit.page.on("console", lambda message: visit.complaints.append(f"{message.type}: {message.text}"))
        answer = visit.page.goto(f"{service.url}/docs", wait_until="networkidle")
        assert answer is not None and answer.status == 200
        yield visit


def test_it_needs_nothing_from_elsewhere_and_complains_of_nothing(visit: Visit) -> None:
    assert {"{0.scheme}://{0.netloc}".format(urlsplit(url)) for url in visit.requests} == {visit.origin}
    # A browser asks every site for its icon; that there is none is no fault of the page.
    assert [said for said in visit.complaints if "favicon" not in said] == []


def test_it_lists_every_operation_of_the_openapi_document(visit: Visit) -> None:
    document = httpx.get(f"{visit.origin}/openapi.json", timeout=60).json()
    operations = [
        (method.upper(), path)
        for path, item in document["paths"].items()
        for method in item
        if method in HTTP_METHODS
    ]
    assert ("POST", "/v1/valuations") in operations
    headings = [" ".join(text.split()) for text in visit.page.locator("h3").all_inner_texts()]
    missing = [f"{method} {path}" for method, path in operations if f"{method} {path}" not in headings]
    assert not missing


def test_every_operation_shows_its_parameters_and_headers(visit: Visit) -> None:
    document = httpx.get(f"{visit.origin}/openapi.json", timeout=60).json()
    shown = 0
    for item in document["paths"].values():
        for operation in (item[method] for method in item if method in HTTP_METHODS):
            section = visit.page.locator(f"section#{operation['operationId']}").inner_text()
            for one in [*item.get("parameters", []), *operation.get("parameters", [])]:
                assert f"{one['name']} ({one['in']})" in section and one["description"] in section
                shown += 1
            assert "`" not in section, "the page shows what marks a name"
            for answer in operation["responses"].values():
                assert all(name in section for name in answer.get("headers", {}))
    assert shown > 60


def test_an_operation_shows_what_can_be_sent_and_what_is_answered(visit: Visit) -> None:
    operation = httpx.get(f"{visit.origin}/openapi.json", timeout=60).json()["paths"]["/v1/valuations"][
        "post"
    ]
    section = visit.page.locator("section#createValuation")
    for text in ("include (query)", "Idempotency-Key (header)", "For example comparables,questions"):
        expect(section.get_by_role("row").filter(has_text=text)).to_be_visible()
    expect(section.get_by_role("definition").filter(has_text="the path of it")).to_be_visible()
    sent, answered = section.locator("pre").all()
    assert sent.is_visible() and not answered.is_visible()
    section.get_by_text("on the demo market").click()
    expect(answered).to_be_visible()
    contents = (operation["requestBody"]["content"], operation["responses"]["201"]["content"])
    asked, answer = (content["application/json"] for content in contents)
    assert json.loads(sent.inner_text()) == asked["example"]
    assert json.loads(answered.inner_text()) == answer["examples"]["demo"]["value"]


def test_every_link_within_it_leads_somewhere(visit: Visit) -> None:
    dead = visit.page.evaluate(
        """() => [...document.querySelectorAll('a[href^="#"]')]
            .map(a => decodeURIComponent(a.getAttribute('href').slice(1)))
            .filter(id => !document.getElementById(id))"""
    )
    assert dead == []


def test_it_can_be_read_by_ear_and_by_keyboard(visit: Visit) -> None:
    page = visit.page
    assert page.title() and page.locator("html").get_attribute("lang") == "en"
    assert page.get_by_role("heading", level=1).count() == 1
    assert page.get_by_role("main").count() == 1 and page.get_by_role("navigation").count() >= 1
    levels = page.evaluate("() => [...document.querySelectorAll('h1,h2,h3,h4')].map(h => +h.tagName[1])")
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert page.locator("table:not(:has(th[scope]))").count() == 0
    page.keyboard.press("Tab")
    first = page.evaluate("() => document.activeElement.getAttribute('href')")
    assert first is not None and page.locator(first).count() == 1


@pytest.mark.parametrize("width", [360, 1200])
def test_nothing_hangs_over_its_side(visit: Visit, width: int, tmp_path: Path) -> None:
    visit.page.set_viewport_size({"width": width, "height": 900})
    over = visit.page.evaluate(
        "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    visit.page.screenshot(path=tmp_path / f"{width}.png", full_page=True)
    assert over <= 0
