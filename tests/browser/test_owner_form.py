"""The form of owners at /form, in a real browser: with script, by keyboard alone, and without script."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fakes import write_fake
from form_visits import OWNER, UNLIMITED, Desk, Visit, photograph, visit
from playwright.sync_api import Browser, expect
from running import Running

from models.bundles.registry import Registry
from models.domain.vocabulary import FIELDS

WEIGHT = 150_000  # bytes of a page with script and style, without photographs
YEAR_FAULT = "Please write a whole number from 1800 to 2100."


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


def fill_in(form: Visit) -> None:
    """Answer about half of the questions."""
    form.fill(**{"instrument.maker": "Ostvik", "instrument.model": "Fjell 2", "instrument.year": "1962"})
    form.fill(**{"instrument.finish": "Tarn", "instrument.serial": "F 1234", "instrument.weight_kg": "3,9"})
    form.grade("instrument.figure", "Strong")
    form.grade("instrument.condition.top", "Light")
    form.grade("instrument.condition.back", "Medium")
    form.control("instrument.condition.structure").select_option("sound")
    form.page.get_by_text("Parts that were changed").click()
    form.control("instrument.originality.bridge").select_option("modern")
    form.grade("purpose", "I want to sell it")
    form.fill(**{"asked.amount": "7,500", "message": "Two lines,\nby my aunt."}, **OWNER)


SAID = {
    "maker": "Ostvik",
    "model": "Fjell 2",
    "year": 1962,
    "finish": "Tarn",
    "serial": "F 1234",
    "figure": 4,
    "weight_kg": 3.9,
    "condition": {"top": 2, "back": 3, "structure": "sound"},
    "originality": {"bridge": "modern"},
}


def choose_photographs(form: Visit, photographs: dict[str, Path]) -> None:
    for view, path in photographs.items():
        form.control(f"photograph.{view}").set_input_files(path)


@pytest.mark.parametrize("width", [360, 1200])
def test_an_owner_fills_it_in_answers_two_questions_and_sees_the_range(
    browser: Browser, desk: Desk, photographs: dict[str, Path], tmp_path: Path, width: int
) -> None:
    with visit(browser, desk.service.url, "/form", width) as form:
        form.shoot("form", tmp_path)
        fill_in(form)
        choose_photographs(form, photographs)
        form.control("consent").check()
        form.page.wait_for_selector(".photo canvas")
        form.shoot("form-filled", tmp_path)
        form.page.locator("button.send").click()
        form.page.wait_for_selector("form.card .fields")
        expect(form.page.locator("h2:focus")).to_be_visible()
        questions = form.page.locator("form.card .fields > [data-name]")
        expect(questions.nth(1)).to_be_visible()
        expect(questions.nth(3)).to_have_count(0)
        for at in range(2):
            answer_one(form, questions.nth(at).get_attribute("data-name") or "")
        form.page.wait_for_selector(".uploads li:has-text('✓') >> nth=2")
        form.shoot("form-questions", tmp_path)
        form.page.get_by_role("button", name="Send these answers").click()
        form.page.wait_for_selector(".value")
        form.shoot("form-range", tmp_path)
        kept = desk.last()
        (wanted,) = [one for one in kept["valuation"]["intervals"] if one["level"] == 0.8]
        low, high = (f"${round(float(wanted[end])):,}" for end in ("low", "high"))
        for words in (
            f"In 80 of 100 such cases the price lies between {low} and {high}.",
            "neither an authentication nor a qualified or certified appraisal",
        ):
            expect(form.page.locator(".after")).to_contain_text(words)
        assert form.overhang() <= 0 and form.console == []
        assert form.hosts == {form.url.removeprefix("http://")}  # no request leaves the machine
        link = form.page.get_by_role("link", name="Open my page").get_attribute("href") or ""
        form.check_access()
    said = kept["instrument"]
    assert {name: said[name] for name in SAID if name not in ("condition", "originality")} == {
        name: SAID[name] for name in SAID if name not in ("condition", "originality")
    }
    assert said["originality"] == {"bridge": "modern", "pickups": "missing"}
    assert said["condition"] == {"top": 2, "back": 3, "structure": "sound", "neck": 5}
    assert kept["asked"] == {"amount": "7500", "currency": "USD"} and kept["purpose"] == "sale"
    assert kept["message"] == "Two lines,\nby my aunt." and kept["contact"]["email"] == OWNER["contact.email"]
    assert sorted(one["view"] for one in kept["photographs"]) == sorted(photographs)
    assert link.startswith(f"{desk.service.url}/follow/bmf_")
    assert link.rpartition("/")[2] not in desk.service.log and "ronja" not in desk.service.log.lower()


def answer_one(form: Visit, name: str) -> None:
    """Give the last answer that a question offers, or a number."""
    control = form.control(name)
    if control.evaluate("one => one.tagName") == "FIELDSET":
        control.locator("input").last.check(force=True)
    elif control.evaluate("one => one.tagName") == "SELECT":
        control.select_option(index=4)
    else:
        control.fill("4")


def test_it_is_filled_in_mended_and_sent_by_keyboard_alone(
    browser: Browser, desk: Desk, tmp_path: Path
) -> None:
    with visit(browser, desk.service.url, "/form") as form:
        keys = form.page.keyboard
        keys.press("Tab")
        keys.press("Enter")  # the link that skips to the form
        for name, text in (("maker", "Ostvik"), ("model", "Fjel 2"), ("year", "196x")):
            form.tab_to(f"f-instrument-{name}")
            keys.type(text)
        form.tab_to("instrument.condition.neck")
        for _ in range(3):
            keys.press("ArrowRight")  # to light
        for name, text in OWNER.items():
            form.tab_to(f"f-{name.replace('.', '-')}")
            keys.type(text)
        form.tab_to("f-consent")
        keys.press("Space")
        keys.press("Tab")
        keys.press("Enter")
        expect(form.page.locator("#summary")).to_be_focused()
        expect(form.page.locator("#f-instrument-model-fault")).to_contain_text("Did you mean Fjell 2")
        expect(form.page.locator("#f-instrument-year-fault")).to_have_text(YEAR_FAULT)
        expect(form.control("instrument.year")).to_have_attribute(
            "aria-describedby", re.compile("f-instrument-year-fault")
        )
        expect(form.page.locator("[aria-invalid]")).to_have_count(2)
        form.shoot("form-faults", tmp_path)
        form.check_access()
        keys.press("Tab")
        keys.press("Enter")  # the first fault of the list leads to its question
        for name, text in (("model", "Fjell 2"), ("year", "1962")):
            form.tab_to(f"f-instrument-{name}")
            keys.press("Control+A")
            keys.type(text)
        form.tab_to("f-consent")
        keys.press("Tab")
        keys.press("Enter")
        answer_by_keyboard(form)
        form.page.wait_for_selector(".value")
        assert all("422" in said for said in form.console), form.console
    assert desk.last()["instrument"]["condition"]["neck"] == 2


def answer_by_keyboard(form: Visit) -> None:
    """Answer the first question, and send the answer."""
    keys = form.page.keyboard
    form.page.wait_for_selector("form.card .fields")
    form.page.wait_for_function("document.activeElement.tagName === 'H2'")
    name = form.page.locator("form.card .fields > [data-name]").first.get_attribute("data-name") or ""
    kind = form.control(name).evaluate("one => one.tagName")
    form.tab_to(name if kind == "FIELDSET" else f"f-{name.replace('.', '-')}")
    keys.type("Tarn") if kind == "INPUT" else keys.press("ArrowDown")
    for _ in range(10):
        keys.press("Tab")
        if form.page.evaluate("() => document.activeElement.textContent") == "Send these answers":
            break
    keys.press("Enter")


def test_it_works_with_script_switched_off(
    browser: Browser, desk: Desk, photographs: dict[str, Path], tmp_path: Path
) -> None:
    with visit(browser, desk.service.url, "/form", java_script_enabled=False) as form:
        fill_in(form)
        form.fill(**{"instrument.year": "3000"})
        choose_photographs(form, photographs)
        form.control("consent").check()
        form.page.locator("button.send").click()
        expect(form.page.locator("#f-instrument-year-fault")).to_have_text(YEAR_FAULT)
        expect(form.page.locator("#summary")).to_contain_text("choose them once more")
        expect(form.control("instrument.serial")).to_have_value("F 1234")  # all input is kept
        expect(form.control("instrument.condition.back").locator("input:checked")).to_have_value("3")
        expect(form.control("message")).to_have_value("Two lines,\nby my aunt.")
        expect(form.control("consent")).to_be_checked()
        expect(form.control("instrument.originality.bridge")).to_be_visible()  # its section stays open
        form.fill(**{"instrument.year": "1962"})
        choose_photographs(form, photographs)
        form.page.locator("button.send").click()
        form.page.wait_for_url(re.compile(r"/follow/bmf_[\w-]+\?done=request$"))
        expect(form.page.get_by_text("Thank you, we have your request")).to_be_visible()
        expect(form.page.locator(".gallery img")).to_have_count(3)
        (tmp_path / "noscript.png").write_bytes(form.page.screenshot(full_page=True))
        assert form.hosts == {form.url.removeprefix("http://")}
    kept = desk.last()
    assert sorted(one["view"] for one in kept["photographs"]) == sorted(photographs)
    assert kept["instrument"] == SAID and kept["message"] == "Two lines,\nby my aunt."


def test_it_asks_for_all_of_the_vocabulary_and_each_question_has_a_name(browser: Browser, desk: Desk) -> None:
    with visit(browser, desk.service.url, "/form") as form:
        ids = {"f-instrument-" + field.path.replace(".", "-") for field in FIELDS}
        missing = form.page.evaluate("ids => ids.filter(id => !document.getElementById(id))", sorted(ids))
        assert missing == []
        nameless = """() => [...document
            .querySelectorAll('select, input:not([type=hidden]), textarea, fieldset')]
            .filter(one => !(one.labels?.[0] ?? one.querySelector('legend'))?.textContent.trim())
            .map(one => one.id)"""
        assert form.page.evaluate(nameless) == []


@pytest.mark.parametrize("language", ["en", "de"])
def test_it_can_be_read_by_everybody_and_weighs_little(
    browser: Browser, desk: Desk, language: str, tmp_path: Path
) -> None:
    with visit(browser, desk.service.url, f"/form?language={language}", 1200) as form:
        assert form.page.locator("html").get_attribute("lang") == language
        form.check_access()
        for summary in form.page.locator("details summary").all():
            summary.click()
        form.check_access()
        form.shoot(f"form-{language}", tmp_path)
        form.page.wait_for_load_state("networkidle")
        assert form.weight() < WEIGHT
    with visit(browser, desk.service.url, f"/form?language={language}", 320) as narrow:
        assert narrow.overhang() <= 0


def test_each_choice_narrows_the_next(browser: Browser, desk: Desk) -> None:
    with visit(browser, desk.service.url, "/form") as form:
        offered = "name => [...document.getElementById(name).options].map(one => one.value)"
        assert form.page.evaluate(offered, "f-instrument-maker-names") == ["Ostvik", "Séraphine & Fils"]
        assert form.page.evaluate(offered, "f-instrument-model-names") == ["Fjell 2", "Dal", "Étoile"]
        form.fill(**{"instrument.maker": "ostvik", "instrument.model": "Fjell 2"})
        assert form.page.evaluate(offered, "f-instrument-model-names") == ["Fjell 2", "Dal"]
        assert form.page.evaluate(offered, "f-instrument-finish-names") == ["Tarn", "Rowan"]
        hint, number = form.page.locator("#f-instrument-year-hint"), form.control("instrument.edition_number")
        expect(hint).to_have_text("Made from 1958 to 1969.")
        expect(number).to_be_hidden()
        form.fill(**{"instrument.edition": "Solverv"})
        expect(number).to_be_visible()
        expect(hint).to_have_text("Made from 1964 to 1965.")
        form.fill(**{"instrument.model": "Dal"})
        expect(form.control("instrument.figure")).to_be_hidden()
