"""The model card: complete, self-contained, the same bytes again, and told in words beside the pictures."""

import re
from html.parser import HTMLParser
from typing import Any

import numpy as np
import orjson
import pytest
from fitted_fake import WEAR_COST, FittedFake, fit_fake

from models.study.judge import Judged, judge, study
from training.card.charts.values import coverage_chart
from training.card.contents import contents, plain
from training.card.page import page
from training.demo.market import Market
from training.study.holdout import split_by_time
from training.study.index import Pair, repeat_sales, resold


@pytest.fixture(scope="module")
def model(small_market: Market) -> FittedFake:
    return fit_fake(small_market.evidence, small_market.catalogue, small_market.rates)


@pytest.fixture(scope="module")
def judged(small_market: Market) -> Judged:
    m, split = small_market, split_by_time(small_market.evidence)
    return judge(fit_fake(split.before, m.catalogue, m.rates), split.kept, m.rates)


@pytest.fixture(scope="module")
def card(small_market: Market, model: FittedFake, judged: Judged) -> dict[str, Any]:
    m = small_market
    said = contents(model, m.evidence, m.rates, plain(study(judged, draws=50)), {"rounds": np.int64(3)})
    return {"title": "Model card", "made": "2026-01-02", **said}


class _Ids(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.images = 0
        self.outside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.ids += [given["id"]] if given.get("id") else []
        if tag == "svg":
            self.images += 1
            assert given["role"] == "img"
            assert len(given["aria-label"] or "") > 40
        refers = [given.get(name) or "" for name in ("src", "href", "xlink:href")]
        self.outside += [r for r in refers if r and not r.startswith("#")]
        assert tag not in ("script", "link", "img", "iframe")


def test_the_page_stands_alone_and_is_told_in_words(card: dict[str, Any], judged: Judged) -> None:
    html = page(card, judged)
    parser = _Ids()
    parser.feed(html)
    assert parser.images == 5
    assert not parser.outside
    assert len(parser.ids) == len(set(parser.ids))
    # Every id that is referred to exists.
    referred = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', html))
    assert {a or b for a, b in referred} <= set(parser.ids)
    assert "url(http" not in html
    assert "@import" not in html
    assert len(html) < 1_000_000


def test_the_same_card_gives_the_same_bytes(card: dict[str, Any], judged: Judged) -> None:
    assert page(card, judged) == page(card, judged)


def test_page_and_json_say_the_same(card: dict[str, Any], judged: Judged) -> None:
    again = orjson.loads(orjson.dumps(card))
    assert again == card
    html = page(again, judged)
    whole = card["study"]["overall"]
    assert f"{whole['median_error']['value']:.1f}%" in html
    assert "How good the values are" in html
    assert "A second model, fitted only on earlier sales, valued each sale for its date and channel;" in html
    assert "Line: target. Bar: variation expected by chance. Hollow diamond: outside it." in html
    assert f"{whole['coverage']['0.9']:.1%}" in html
    for groups in card["study"]["groups"].values():
        for name in groups:
            assert name in html


def test_a_bundle_that_could_not_be_judged_says_so(card: dict[str, Any]) -> None:
    html = page({**card, "study": None}, None)
    assert "not known" in html
    assert "How good the values are" not in html


def test_titles_cannot_break_out_of_the_page(card: dict[str, Any]) -> None:
    assert "<b>" not in page({**card, "title": "<b>x</b>", "study": None}, None)


def test_importance_is_the_mean_size_of_the_effect(card: dict[str, Any], small_market: Market) -> None:
    """The fake model knows wear of the top only: .06 for each grade away from its reference's grade 1."""
    assert [row["factor"] for row in card["importance"]] == ["condition.top"]
    tops = [(r.instrument.condition_top or 0) for r in small_market.evidence if r.kind == "sale"][-500:]
    assert card["importance"][0]["effect"] == pytest.approx(WEAR_COST * np.mean([abs(t - 1) for t in tops]))


def test_index_is_100_on_its_last_day_and_inside_its_band(card: dict[str, Any]) -> None:
    index = card["index"]
    assert index["center"][-1] == 100
    for low, center, high in zip(index["low"], index["center"], index["high"], strict=True):
        assert low <= center <= high


def test_an_offered_index_is_drawn_as_offered(small_market: Market, model: FittedFake) -> None:
    m = small_market
    offered = {
        "days": ["2024-01-01", "2025-01-01"],
        "center": [0.0, 0.1],
        "low": [-0.1, 0.05],
        "high": [0.1, 0.2],
        "band": 0.9,
    }
    index = contents(model, m.evidence, m.rates, None, {"index": offered})["index"]
    assert index["center"] == pytest.approx([100 * np.exp(-0.1), 100])
    assert index["high"] == pytest.approx([100, 100 * np.exp(0.1)])
    assert index["band"] == "where the index lies with 90%"


def test_resold_specimens_are_found_by_serial(small_market: Market) -> None:
    m = small_market
    first = next(row for row in m.evidence if row.kind == "sale" and row.instrument.serial)
    later = m.holdout[0]
    again = later.__class__(
        "X1",
        "sale",
        later.day,
        first.price,
        first.currency,
        later.channel,
        "",
        first.instrument.but(serial=f" {str(first.instrument.serial).lower()} "),
    )
    pairs, years = resold([first, again], m.rates)
    assert [(p.first, p.second) for p in pairs] == [(0, later.day.year - first.day.year)]
    assert years == list(range(first.day.year, later.day.year + 1))
    if first.currency == "USD":
        assert repeat_sales([*pairs], len(years))[-1] == pytest.approx(1)
    assert Pair(0, 1, 1.0, 2.0) != Pair(0, 1, 1.0, 3.0)


def test_the_coverage_chart_is_laid_out_whether_or_not_a_group_lies_off_its_scale() -> None:
    # A layout that fails is a warning, and warnings are errors here.
    for share in (0.9, 0.1):
        chart = coverage_chart([("private", 40, [share]), ("dealer", 30, [0.85])], [0.9])
        assert "private (40)" in chart
