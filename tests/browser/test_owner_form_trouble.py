"""Trouble at the owners' form, in a real browser: programs, lost answers, lost photographs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fakes import write_fake
from form_visits import OWNER, UNLIMITED, Desk, photograph, visit
from playwright.sync_api import Browser, Route, expect
from running import Running

from models.bundles.registry import Registry

WEIGHT = 150_000  # bytes of a page with script and style, without photographs


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    folder: Path = tmp_path_factory.mktemp("service")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    with Running(folder, folder / "store", settings=UNLIMITED) as service:
        yield Desk(service)


@pytest.fixture(scope="module")
def photographs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("photographs")
    colors = {"front": "#8a3b12", "back": "#5b3015", "serial": "#b5641f"}
    return {view: photograph(folder, view, color) for view, color in colors.items()}


@pytest.mark.parametrize("script", [True, False])
def test_what_fills_the_trap_is_thanked_and_not_kept(browser: Browser, desk: Desk, script: bool) -> None:
    before = len(desk.requests())
    with visit(browser, desk.service.url, "/form", java_script_enabled=script) as form:
        form.fill(**{"instrument.maker": "Ostvik", "instrument.model": "Dal"}, **OWNER)
        form.control("consent").check()
        box = form.page.locator("#trap").bounding_box()
        assert box is not None and box["x"] < 0  # people do not see it
        form.page.locator("#trap").fill("https://spam.example", force=True)
        form.page.locator("button.send").click()
        form.page.wait_for_selector("text=Thank you, we have your request")
    assert len(desk.requests()) == before


def test_a_photograph_that_does_not_get_through_is_sent_again(
    browser: Browser, desk: Desk, photographs: dict[str, Path]
) -> None:
    tries: list[str] = []

    def lost(route: Route) -> None:
        tries.append(route.request.headers["idempotency-key"])
        if len(tries) == 1:
            route.abort()
        else:
            route.continue_()

    with visit(browser, desk.service.url, "/form") as form:
        form.page.route("**/photographs?*", lost)
        form.fill(**{"instrument.maker": "Ostvik", "instrument.model": "Dal"}, **OWNER)
        form.control("photograph.front").set_input_files(photographs["front"])
        form.control("consent").check()
        form.page.locator("button.send").click()
        form.page.get_by_role("button", name="Try again").click()
        form.page.wait_for_selector(".uploads li:has-text('✓')")
        assert tries[0] == tries[1]
    assert [one["view"] for one in desk.last()["photographs"]] == ["front"]


def test_a_lost_answer_makes_no_second_request(browser: Browser, desk: Desk) -> None:
    before = len(desk.requests())

    def lost(route: Route) -> None:
        route.fetch()
        route.abort()

    with visit(browser, desk.service.url, "/form") as form:
        form.page.route("**/v1/requests", lost, times=1)
        form.fill(**{"instrument.maker": "Ostvik", "instrument.model": "Dal"}, **OWNER)
        form.control("consent").check()
        form.page.locator("button.send").click()
        expect(form.page.locator(".said.bad")).to_contain_text("nothing that you wrote is lost")
        form.page.locator("button.send").click()
        form.page.wait_for_selector("text=Your own page")
    assert len(desk.requests()) == before + 1
