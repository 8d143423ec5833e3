"""The form of `docs/website.md`, served as that page says, in a real browser."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import pytest
from fakes import write_fake
from form_pages import FORM, Visit, publish, site, visit
from playwright.sync_api import Browser, Route
from running import Running

from models.bundles.registry import Registry
from models.domain.vocabulary import FIELDS

WEAR = ["Don’t know", "None", "Traces", "Light", "Moderate", "Heavy", "Worn through"]


class Sites(NamedTuple):
    """A service, and three websites: the key's own, one that no key names, and one of another key."""

    service: Running
    own: str
    strange: str
    others: str


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sites]:
    folder: Path = tmp_path_factory.mktemp("service")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    unlimited = {"BOOKMATCH_LIMIT_VISITOR": "100000", "BOOKMATCH_LIMIT_WEBSITE": "100000"}
    (folder / "var" / "website").mkdir(parents=True)
    with (
        Running(folder, folder / "store", settings=unlimited) as service,
        site(folder) as own,
        site(folder) as strange,
        site(folder) as others,
    ):
        service.call("keys", "create", "another form", "--website", "--origin", others)
        publish(service, folder, own)
        yield Sites(service, own, strange, others)


@pytest.fixture
def form(browser: Browser, sites: Sites) -> Iterator[Visit]:
    found = visit(browser, sites.own)
    yield found
    found.page.close()


def choose(form: Visit, maker: str, model: str) -> None:
    form.page.select_option("#f-maker", maker)
    form.page.select_option("#f-model", model)


def ask(form: Visit) -> None:
    form.page.click("#send")
    form.page.wait_for_selector("#result:not([hidden])")


def text(form: Visit, selector: str) -> str:
    return " ".join(form.page.locator(selector).inner_text().split())


def active(form: Visit) -> str:
    return str(form.page.evaluate("() => document.activeElement.id"))


def test_it_has_a_field_with_a_label_for_all_of_the_vocabulary(form: Visit) -> None:
    ids = {"f-" + field.path.replace(".", "-") for field in FIELDS}
    assert form.page.evaluate("ids => ids.filter(id => !document.getElementById(id))", sorted(ids)) == []
    nameless = """() => [...document.querySelectorAll('select, input, fieldset')].filter(one =>
        !(one.labels?.[0] ?? one.querySelector('legend'))?.textContent.trim()).map(one => one.id)"""
    assert form.page.evaluate(nameless) == []
    assert form.page.locator("#f-condition-neck label").all_inner_texts() == WEAR
    assert form.console == []


def test_what_is_not_known_is_not_sent(form: Visit) -> None:
    choose(form, "Ostvik", "Dal")
    ask(form)
    wanted = {"instrument": {"maker": "Ostvik", "model": "Dal"}, "channel": "private", "currency": "USD"}
    assert form.sent == [{**wanted, "levels": [0.8]}]
    assert text(form, "#result .value") == "$2,981"  # exp(8): the fake's base, without any loss


def test_each_choice_narrows_the_next(form: Visit) -> None:
    page = form.page
    assert form.options("f-maker") == ["Choose …", "Ostvik", "Séraphine & Fils"]
    assert page.locator("#f-model").is_disabled()
    choose(form, "Ostvik", "Fjell 2")
    assert form.options("f-model") == ["Choose …", "Fjell 2", "Dal"]
    assert form.options("f-finish") == ["Don’t know, or not in this list", "Tarn", "Rowan"]
    assert form.options("f-edition") == ["None, or don’t know", "Solverv"]
    assert text(form, "#f-year-hint") == "Made: 1958 to 1969"
    assert not page.locator("#f-edition_number").is_visible()
    page.select_option("#f-edition", "Solverv")
    assert text(form, "#f-year-hint") == "Made: 1964 to 1965"
    assert text(form, "#f-edition_number-hint") == "Of 120 recorded"
    page.fill("#f-edition_number", "7")
    page.get_by_label("Strong").check()
    page.select_option("#f-model", "Dal")
    for gone in ("#f-edition", "#f-edition_number", "#f-finish", "#f-figure"):
        assert not page.locator(gone).is_visible()
    ask(form)
    assert form.sent[0]["instrument"] == {"maker": "Ostvik", "model": "Dal"}  # nothing of what is hidden


@pytest.mark.parametrize("width", [360, 1200])
def test_it_is_filled_in_mended_and_read_by_keyboard(
    browser: Browser, sites: Sites, tmp_path: Path, width: int
) -> None:
    form = visit(browser, sites.own, width)
    assert form.overhang() <= 0
    form.type_into("f-maker", "Ostvik")
    form.type_into("f-model", "Fjell")
    form.type_into("f-year", "196x")
    form.tab_to("f-figure")
    form.press("ArrowRight", 5)  # from "don't know" over plain, faint, mild, clear to strong
    form.type_into("f-weight_kg", "99")
    form.tab_to("f-condition-neck")
    form.press("ArrowRight", 4)  # to moderate
    form.tab_to("send")
    form.press("Enter")
    form.page.wait_for_selector("[aria-invalid]")
    assert "a whole number from 1800 to 2100" in text(form, "#f-year-fault")
    assert "a number from 0.5 to 20" in text(form, "#f-weight_kg-fault")
    assert form.page.locator("[aria-invalid]").count() == 2 and active(form) == "f-year"
    assert "f-year-fault" in str(form.page.locator("#f-year").get_attribute("aria-describedby"))
    assert "wrong" in text(form, "[role=status]") and not form.page.locator("#result").is_visible()
    assert form.overhang() <= 0

    form.type_into("f-year", "1962")
    form.type_into("f-weight_kg", "3,9")
    form.tab_to("send")
    form.press("Enter")
    form.page.wait_for_selector("#result:not([hidden])")
    assert form.page.locator("[aria-invalid]").count() == 0 and active(form) == "result-title"
    it = {"maker": "Ostvik", "model": "Fjell 2", "year": 1962, "figure": 4, "weight_kg": 3.9}
    assert form.sent[1]["instrument"] == {**it, "condition": {"neck": 3}}
    # By hand, as `fakes.py` says: exp(8 + .2 · 4 − .1 · 3), and 24 blanks: .3 · .8 · (1 + 2.4) to each side.
    assert text(form, "#result .value") == "$4,915"
    assert text(form, ".ends") == "$2,173 $11,114"
    assert "In 80 of 100 such cases the price lies between $2,173 and $11,114." in text(form, "[role=status]")
    form.page.keyboard.press("Tab")
    form.press("Enter")  # the first below the title opens the lines
    assert form.overhang() <= 0
    form.page.screenshot(path=tmp_path / f"{width}.png", full_page=True)
    assert all("422" in said for said in form.console), form.console  # the one answer that was no success
    form.page.close()


def test_the_amounts_are_drawn_from_a_typical_instrument_to_this_one(form: Visit) -> None:
    choose(form, "Ostvik", "Fjell 2")
    form.page.get_by_label("Strong").check()
    form.page.locator("#f-condition-neck").get_by_label("Moderate").check()
    ask(form)
    rows = [" ".join(row.split()).rpartition(" ") for row in form.page.locator(".bars li").all_inner_texts()]
    names, _, amounts = zip(*rows, strict=True)
    assert names == ("A typical clean Ostvik Fjell 2", "Rarity", "Condition", "Your instrument")
    start, rarity, condition, end = (Decimal(re.sub(r"[+$,]", "", amount)) for amount in amounts)
    # By hand: exp(6.8), six parts of light wear below the base, and exp(8.5); .8 of figure to .9 of wear.
    assert (start, end) == (Decimal("897.85"), Decimal("4914.77")) and start + rarity + condition == end
    assert float(rarity) == pytest.approx(4016.92 * 0.8 / 1.7, abs=0.01) and amounts[1].startswith(
        "+$1,890.3"
    )
    boxes = [bar.bounding_box() or {} for bar in form.page.locator(".bars .track i").all()]
    ends = [(box["x"], box["x"] + box["width"]) for box in boxes]
    assert ends[0][0] == pytest.approx(ends[3][0], abs=1)
    for (_, before), (after, _) in pairwise(ends[:3]):
        assert after == pytest.approx(before, abs=1)
    assert ends[2][1] == pytest.approx(ends[3][1], abs=1)
    whole = ends[3][1] - ends[3][0]
    assert (ends[0][1] - ends[0][0]) / whole == pytest.approx(897.85 / 4914.77, abs=0.01)
    form.page.get_by_text("Line by line").click()
    lines = [" ".join(row.split()) for row in form.page.locator(".plain li").all_inner_texts()]
    assert f"Figure of the top: strong {amounts[1]}" in lines and any(
        "Neck wear: moderate" in one for one in lines
    )


def test_cautions_stand_in_full_under_the_statement(form: Visit) -> None:
    choose(form, "Ostvik", "Dal")
    with form.page.expect_response("**/v1/valuations") as caught:
        ask(form)
    cautions = caught.value.json()["cautions"]
    shown = form.page.locator(".cautions li").all_inner_texts()
    assert all(
        one["text"] in said and one["as_of"] in said for one, said in zip(cautions, shown, strict=True)
    )
    assert "estimate_not_appraisal" in {one["code"] for one in cautions}
    statement = text(form, ".statement")
    assert "estimate" in statement and "neither an authentication nor a qualified" in statement


def test_it_works_under_the_policy_that_the_document_names(browser: Browser, sites: Sites) -> None:
    form = visit(browser, sites.own, name="strict.html")
    choose(form, "Ostvik", "Dal")
    ask(form)
    drawn = form.page.locator(".bars .track i").last.bounding_box()
    assert (
        drawn is not None and drawn["width"] > 100
    )  # a policy that forbids the style would leave two pixels
    assert form.console == []
    form.page.close()


def test_what_the_service_says_is_never_markup(form: Visit) -> None:
    trap = "<img src=x onerror=\"document.title='trapped'\">"

    def laid(route: Route) -> None:
        answer = route.fetch()
        body = answer.json()
        body["cautions"][0]["text"] = body["attributions"][0]["family"] = body["evidence"]["meaning"] = trap
        body["attributions"][0]["amount"] = "1.00"
        route.fulfill(response=answer, body=json.dumps(body))

    form.page.route("**/v1/valuations", laid)
    choose(form, "Ostvik", "Dal")
    ask(form)
    assert text(form, "#result").count("<img src=x") == 3
    assert form.page.locator("#result img").count() == 0 and form.page.title() != "trapped"
    script = (FORM / "form.js").read_text(encoding="utf-8")
    assert re.findall(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(", script) == []


def test_another_origin_is_told_why_it_gets_nothing(browser: Browser, sites: Sites) -> None:
    for origin, said in (
        (sites.strange, f"not meant for pages of {sites.strange}"),
        (sites.others, "This website key works from its own origins only"),
    ):
        refused = visit(browser, origin)
        assert said in text(refused, "[role=status]")
        assert not refused.page.locator("#ask").is_visible()
        refused.page.close()


def test_a_lost_answer_can_be_asked_for_again_without_a_second_valuation(form: Visit) -> None:
    names: list[str] = []

    def lost(route: Route) -> None:
        names.append(route.request.headers["idempotency-key"])
        if len(names) == 1:
            route.fetch()
            route.abort()
        else:
            route.continue_()

    form.page.route("**/v1/valuations", lost)
    choose(form, "Ostvik", "Dal")
    form.page.click("#send")
    form.page.wait_for_selector("#said.bad")
    assert "No answer from" in text(form, "#said") and form.page.locator("#ask").is_visible()
    ask(form)
    form.page.select_option("#f-currency", "EUR")
    ask(form)
    form.page.wait_for_function("document.querySelector('#result .value').textContent.startsWith('€')")
    assert names[0] == names[1] != names[2]
