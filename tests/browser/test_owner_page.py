"""An owner's private page, in a real browser: without script, by axe, with injections in every text."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fakes import write_fake
from form_visits import UNLIMITED, Desk, photograph, visit
from injections import INJECTIONS
from playwright.sync_api import Browser, expect
from running import Running

from models.bundles.registry import Registry

IT = {
    "maker": "Ostvik",
    "model": "Fjell 2",
    "year": 1962,
    "condition": {"neck": 2},
    "originality": {"nut": "modern"},
}
WAITING = {"state": "waiting_for_owner", "questions": ["condition.back", "figure", "provenance.case"],
           "message": "Could you tell us more about its back?\nA photograph would help."}  # fmt: skip


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    folder: Path = tmp_path_factory.mktemp("service")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    with Running(folder, folder / "store", settings=UNLIMITED) as service:
        yield Desk(service)


def send(desk: Desk, **more: Any) -> dict[str, Any]:
    """A new request, made by the specialist's key."""
    body = {"instrument": IT, "purpose": "sale", "consent": True, "message": "Two lines,\nby my aunt.",
            "contact": {"name": "Ronja Eklund", "email": "ronja@example.org"}}  # fmt: skip
    found: dict[str, Any] = desk.ask("POST", "/v1/requests", {**body, **more})
    return found


@pytest.mark.parametrize("width", [360, 1200])
@pytest.mark.parametrize("language", ["en", "de"])
def test_an_owner_follows_adds_a_photograph_and_answers_without_script(
    browser: Browser, desk: Desk, tmp_path: Path, width: int, language: str
) -> None:
    made = send(desk, language=language)
    path = f"/v1/requests/{made['id']}"
    desk.ask("PATCH", path, {"state": "reviewing"})
    desk.ask("PATCH", path, WAITING)
    with visit(browser, desk.service.url, made["follow"], width, java_script_enabled=False) as page:
        page.page.locator("#f-view").select_option("back")
        page.page.locator("#f-photograph").set_input_files(photograph(tmp_path, "back", "#5b3015"))
        page.page.locator("button[value=photograph]").click()
        page.page.wait_for_url("**?done=photograph")
        expect(page.page.locator(".done")).to_be_visible()
        expect(page.page.locator(".gallery img")).to_have_count(1)
        page.control("instrument.condition.back").locator("input").nth(3).check(force=True)
        page.control("instrument.provenance.case").select_option("period")
        (tmp_path / f"{width}.png").write_bytes(page.page.screenshot(full_page=True))
        page.page.locator("button[value=answers]").click()
        page.page.wait_for_url("**?done=answers")
        expect(page.page.locator(".done")).to_be_visible()
        assert page.hosts == {page.url.removeprefix("http://")}
    kept = desk.get(path)
    assert kept["state"] == "reviewing" and kept["instrument"]["condition"] == {"neck": 2, "back": 2}
    assert kept["instrument"]["provenance"] == {"case": "period"}
    with visit(browser, desk.service.url, made["follow"], width) as page:
        page.check_access()
        page.shoot(f"follow-{language}", tmp_path)
        assert page.overhang() <= 0 and page.console == [] and page.weight() < 150_000
        assert page.page.locator("img").evaluate_all("all => all.every(one => one.naturalWidth > 0)")


def test_it_is_answered_and_withdrawn_by_keyboard_alone(browser: Browser, desk: Desk, tmp_path: Path) -> None:
    made = send(desk)
    with visit(browser, desk.service.url, made["follow"]) as page:
        keys = page.page.keyboard
        page.tab_to("f-message")
        keys.type("It was my aunt's.")
        keys.press("Tab")
        keys.press("Enter")
        page.page.wait_for_selector("text=Thank you, your answers have arrived")
        page.tab_to("f-sure")
        keys.press("Space")
        keys.press("Tab")
        keys.press("Enter")
        page.page.wait_for_selector("text=You have withdrawn your request")
        page.check_access()
        page.shoot("follow-withdrawn", tmp_path)
    kept = desk.get(f"/v1/requests/{made['id']}")
    assert kept["state"] == "withdrawn" and kept["messages"][0]["text"] == "It was my aunt's."


def test_a_dead_address_says_nothing(browser: Browser, desk: Desk, tmp_path: Path) -> None:
    with visit(browser, desk.service.url, "/follow/bmf_nobody") as page:
        assert "There is nothing here" in page.text("main, h1 >> nth=0") + page.text("h1")
        page.check_access()
        page.shoot("follow-gone", tmp_path)
    assert httpx.get(f"{desk.service.url}/follow/bmf_nobody", timeout=60).status_code == 404


def test_no_injection_runs(browser: Browser, desk: Desk) -> None:
    with visit(browser, desk.service.url, "/form") as page:
        for text in INJECTIONS:
            printable = text if text.isprintable() else "plain"
            contact = {"name": printable, "email": "ronja@example.org", "phone": printable[:40]}
            instrument = {"maker": "Ostvik", "model": "Dal", "serial": printable}
            made = send(desk, instrument=instrument, contact=contact, message=printable, reference=printable)
            page.page.goto(page.url + made["follow"])
            expect(page.page.locator("dd", has_text=printable).nth(2)).to_be_attached()
            assert page.page.title() == "Your request", text
            assert page.page.locator("script, main iframe, main svg").count() == 0, text
        page.page.wait_for_load_state("networkidle")  # what a text had set off would have come by now
        assert page.console == [] and page.hosts == {page.url.removeprefix("http://")}
    said = desk.service.log
    assert [text for text in INJECTIONS if text in said] == [] and "ronja" not in said.lower()
