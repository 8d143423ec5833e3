"""The desk in a real browser: by keyboard alone, at two widths, with and without script."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from desk_visits import PASSWORD, Desk, opened, visit
from fakes import write_fake
from PIL import Image
from playwright.sync_api import Browser, expect

from models.bundles.registry import Registry

MOST_BYTES = 150_000
SALE = {"kind": "sale", "date": "2025-06-01", "price": "9000000", "currency": "USD", "channel": "dealer"}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    folder: Path = tmp_path_factory.mktemp("desk")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    with opened(folder, folder / "store") as found:
        found.ask(asked={"amount": "1500.00", "currency": "USD"}, message="It was my mother’s.")
        for name in ("Bo Lie", "Ada Holm"):
            found.ask(contact={"name": name, "email": "x@example.org"}, purpose="sale")
        it = {"maker": "Ostvik", "model": "Dal"}
        for at in range(3):
            found.api("POST", "/v1/evidence", json={**SALE, "id": f"R-{at}", "instrument": it})
        yield found


def pages(desk: Desk) -> dict[str, str]:
    version = desk.api("GET", "/v1/price-models")["current"]
    assert version
    return {
        "queue": "/desk",
        "all": "/desk?state=all",
        "request": f"/desk/requests/{desk.requests[0]}",
        "report-settings": "/desk/reports",
        "evidence": "/desk/evidence",
        "record": "/desk/evidence/R-0",
        "new-record": "/desk/new-evidence",
        "catalogue": "/desk/catalogue",
        "model": "/desk/catalogue/Ostvik/Fjell%202",
        "new-model": "/desk/new-model",
        "card": f"/desk/price-models/{version}/card",
        "price-models": "/desk/price-models",
        "e-mails": "/desk/e-mails",
        "sessions": "/desk/sessions",
    }


@pytest.mark.parametrize("width", [360, 1200])
def test_every_page_is_accessible_light_and_by_itself(
    browser: Browser, desk: Desk, tmp_path: Path, width: int
) -> None:
    seen = visit(browser, desk, width)
    seen.go("/desk/sign-in")
    assert seen.violations() == []
    seen.shoot(tmp_path, "sign-in")
    seen.sign_in()
    for name, path in pages(desk).items():
        seen.go(path)
        seen.page.wait_for_load_state("networkidle")
        seen.shoot(tmp_path, name)
        assert seen.violations() == [], name
        assert seen.overhang() <= 0, name
        pieces = [
            seen.page.content(),
            *(
                seen.page.request.get(f"{desk.url}/desk/static/{one}").text()
                for one in ("desk.css", "desk.js")
            ),
        ]
        assert sum(len(one.encode()) for one in pieces) < MOST_BYTES, name
    assert seen.hosts() == {desk.url}
    assert seen.said == []


def test_the_charts_of_a_card_keep_their_colours(browser: Browser, desk: Desk) -> None:
    seen = visit(browser, desk)
    seen.sign_in()
    seen.go(pages(desk)["card"])
    drawn = Image.open(io.BytesIO(seen.page.locator("img.chart").screenshot())).convert("RGB")
    assert drawn.getpixel((drawn.width // 2, drawn.height // 2)) == (0x0A, 0x64, 0xC8)
    assert seen.said == [] and seen.hosts() == {desk.url}


def test_a_model_is_corrected_by_keyboard_alone_and_without_script(browser: Browser, desk: Desk) -> None:
    seen = visit(browser, desk, 360, script=False)
    seen.sign_in()
    seen.go("/desk/catalogue/Ostvik/Dal")
    fields = seen.page.locator("input[name^='watchpoint.'][name$='.note']")
    before = fields.count()
    seen.page.locator("button[value=more]").focus()
    with seen.page.expect_navigation():
        seen.page.keyboard.press("Enter")
    assert fields.count() == before + 3
    for name, words in (("watchpoint.0.part", "neck"), ("watchpoint.0.note", "Look below the nut.")):
        seen.page.locator(f"input[name='{name}']").focus()
        seen.page.keyboard.type(words)
    with seen.page.expect_navigation():
        seen.page.keyboard.press("Enter")
    assert seen.page.locator("h1 .tag").inner_text() == "differs"
    entry = desk.api("GET", "/v1/catalogue/draft/makers/Ostvik/models/Dal")["entry"]
    assert entry["watchpoint"] == [{"part": "neck", "note": "Look below the nut."}]


def test_by_keyboard_alone_from_signing_in_to_an_adjustment(
    browser: Browser, desk: Desk, tmp_path: Path
) -> None:
    seen = visit(browser, desk)
    seen.go("/desk/sign-in")
    keys = seen.page.keyboard
    name, code = desk.user()
    for field, words in (("#name", name), ("#password", PASSWORD), ("#code", code)):
        seen.tab_to(field)
        keys.type(words)
    keys.press("Enter")
    seen.page.wait_for_url("**/desk")
    seen.tab_to(f'a[href$="{desk.requests[0]}"]')
    keys.press("Enter")
    seen.page.wait_for_url("**/desk/requests/*")
    value = seen.page.locator("#value .value")
    before = value.inner_text()
    seen.tab_to("#f-instrument-condition-neck")
    for _ in range(3):
        keys.press("ArrowDown")
    expect(value).not_to_have_text(before)
    expect(seen.page.locator("#value")).to_contain_text("not saved")
    expect(seen.page.locator("#value-said")).to_have_text(re.compile(r"^The value is now \$"))
    seen.shoot(tmp_path, "graded-unsaved")
    seen.tab_to('button[value="save"]')
    keys.press("Enter")
    seen.page.wait_for_url("**#grading")
    now = desk.api("GET", f"/v1/requests/{desk.requests[0]}")
    assert now["graded"]["condition"]["neck"] == 4 and now["state"] == "reviewing"
    seen.tab_to('input[name="by"]')
    keys.press("ArrowRight")
    seen.tab_to("#f-adjustment-per-cent")
    keys.type("-5")
    seen.tab_to("#f-adjustment-reason")
    keys.type("The case has lost its handle.")
    seen.tab_to("#adjustment button")
    keys.press("Enter")
    seen.page.wait_for_url("**#adjustment")
    expect(seen.page.locator("#value")).to_contain_text("which is no part of the model's value")
    seen.shoot(tmp_path, "adjusted")
    assert seen.violations() == []
    assert seen.hosts() == {desk.url} and seen.said == []


def test_without_script_a_button_values_the_grades(browser: Browser, desk: Desk) -> None:
    seen = visit(browser, desk, script=False)
    seen.sign_in()
    seen.go(f"/desk/requests/{desk.requests[1]}")
    value = seen.page.locator("#value .value")
    before = value.inner_text()
    seen.page.select_option("#f-instrument-condition-neck", "5")
    assert value.inner_text() == before
    seen.page.click('button[value="value"]')
    expect(value).not_to_have_text(before)
    expect(seen.page.locator("#f-instrument-condition-neck")).to_have_value("5")
    assert desk.api("GET", f"/v1/requests/{desk.requests[1]}")["graded"] is None


def test_faults_take_the_focus_and_lead_to_their_fields(browser: Browser, desk: Desk, tmp_path: Path) -> None:
    seen = visit(browser, desk, 360)
    seen.sign_in()
    seen.go(f"/desk/requests/{desk.requests[2]}")
    seen.page.fill("#f-instrument-year", "19x")
    seen.page.click('button[value="save"]')
    expect(seen.page.locator("#faults")).to_be_focused()
    seen.shoot(tmp_path, "faults")
    assert seen.violations() == []
    seen.page.click("#faults a")
    expect(seen.page.locator("#f-instrument-year")).to_be_focused()


def test_whoever_is_signed_out_meanwhile_is_told(browser: Browser, desk: Desk) -> None:
    seen = visit(browser, desk)
    seen.sign_in()
    seen.go(f"/desk/requests/{desk.requests[2]}")
    other = seen.page.context.new_page()
    other.goto(f"{desk.url}/desk/sessions")
    other.click("text=End all sessions")
    other.wait_for_url("**/desk/sign-in")
    seen.page.select_option("#f-instrument-condition-neck", "5")
    expect(seen.page.locator("#value-said")).to_contain_text("signed out")
