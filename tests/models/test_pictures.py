"""Pictures: well-formed, said in words too, told apart without colour, and drawn where the figures are."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from fakes import FakePriceModel
from market_of_fakes import sold, subject, valuer
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font, LoadFlags

from models.domain.instrument import Subject
from models.domain.vocabulary import FIELDS, Field, Kind
from models.insights.comparables import comparables
from models.insights.market import MarketIndex, market_index
from models.insights.pictures import index_picture, span_picture, walk_picture
from models.insights.pictures.canvas import Canvas, number, ticks
from models.insights.sentences import head_of, words_of
from models.price.core.basis import Floats
from models.valuation.factors import Factor

SVG = "{http://www.w3.org/2000/svg}"
VALUER = valuer(
    sold("a", "2500", date(2024, 3, 1), condition_neck=1.0),
    sold("b", "3500", date(2025, 3, 1), kind="asking", channel="dealer"),
)
SUBJECT = subject(condition_neck=4.0, originality_pickups="modern", figure=3.0)
VALUATION = VALUER.value(SUBJECT)
FOUND = comparables(VALUER, SUBJECT)
INDEX = market_index(VALUER, SUBJECT)
PICTURES = {
    "walk": walk_picture(VALUATION),
    "span": span_picture(VALUATION, FOUND, Decimal(4000)),
    "bare": span_picture(VALUATION),
    "index": index_picture(INDEX, "Ostvik Fjell 2"),
}


@pytest.mark.parametrize("name", PICTURES)
def test_it_is_one_image_with_a_title_and_a_description_for_a_screen_reader(name: str) -> None:
    root = ET.fromstring(PICTURES[name])
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert desc is not None
    assert f"{title.get('id')} {desc.get('id')}" == root.get("aria-labelledby")
    assert len(str(desc.text)) > 40


@pytest.mark.parametrize("name", PICTURES)
def test_it_needs_nothing_from_elsewhere_and_runs_nothing(name: str) -> None:
    picture = PICTURES[name]
    assert not re.search(r"<script|<image|<use|href|@import|<style|on\w+=", picture)
    assert set(re.findall(r"url\(([^)]*)\)", picture)) <= {
        f"#{id}-{kind}" for id in ("walk", "span", "index") for kind in ("down", "unsure", "band")
    }


@pytest.mark.parametrize("name", PICTURES)
def test_everything_is_inside_it(name: str) -> None:
    root = ET.fromstring(PICTURES[name])
    width, height = float(root.get("width", 0)), float(root.get("height", 0))
    for mark in root.iter():
        for attribute, limit in (("x", width), ("x1", width), ("x2", width), ("cx", width), ("y", height)):
            at = mark.get(attribute)
            assert at is None or -0.1 <= float(at) <= limit + 0.1
        if mark.tag == f"{SVG}rect" and mark.get("x"):
            assert float(str(mark.get("x"))) + float(str(mark.get("width"))) <= width + 0.1


def test_the_walk_says_every_step_and_hatches_losses() -> None:
    desc = str(ET.fromstring(PICTURES["walk"]).findtext(f"{SVG}desc"))
    # By hand: e^(8 − 1.2) = 897.85 to e^(8 − .4 − .2 + .6) = 2,980.96.
    assert desc.startswith("A typical instrument is worth $898.")
    assert desc.endswith("This instrument: $2,981.")
    assert "Neck wear: heavy" in desc
    fills = re.findall(r'<rect x=[^>]*fill="(url\(#walk-\w+\)|#1c6e5a)"', PICTURES["walk"])
    # One of each is the key; by hand: neck and pickups lower, the figure raises, five wears are not known.
    assert fills.count("url(#walk-down)") == 1 + 2
    assert fills.count("#1c6e5a") == 1 + 1
    assert fills.count("url(#walk-unsure)") == 1 + 5


def test_the_bars_of_the_walk_are_as_long_as_their_amounts() -> None:
    root = ET.fromstring(PICTURES["walk"])
    bars = [r for r in root.iter(f"{SVG}rect") if r.get("fill") == "#33414e"]
    first, last = (float(str(r.get("width"))) for r in bars)
    assert last / first == pytest.approx(2980.96 / 897.85, rel=1e-3)


def test_the_span_shows_value_ranges_comparables_and_the_price_asked() -> None:
    desc = str(ET.fromstring(PICTURES["span"]).findtext(f"{SVG}desc"))
    for words in ("The value is $2,981.", "In 80% of cases", "Asked: $4,000.", "Sale of 1 March 2024"):
        assert words in desc
    assert "asked $4,000" in PICTURES["span"]
    assert "Asked" not in PICTURES["bare"]


def test_names_are_escaped() -> None:
    picture = index_picture(INDEX, 'Fils & <b>"Frères"')
    assert "Fils &amp; &lt;b&gt;" in picture
    ET.fromstring(picture)


def test_two_pictures_on_one_page_share_no_id() -> None:
    ids = [set(re.findall(r' id="([^"]+)"', walk_picture(VALUATION, id))) for id in ("one", "two")]
    assert not ids[0] & ids[1]


def test_the_index_is_a_hundred_on_the_last_day_and_its_band_closes_there() -> None:
    assert (INDEX.level[-1], INDEX.low[-1], INDEX.high[-1]) == (100, 100, 100)
    assert INDEX.days[0] == date(2024, 3, 1)
    assert INDEX.days[-1] == SUBJECT.day
    assert all(low <= x <= high for low, x, high in zip(INDEX.low, INDEX.level, INDEX.high, strict=True))


class Rising(FakePriceModel):
    """A tenth in log a year."""

    def center(self, subjects: Sequence[Subject]) -> Floats:
        return super().center(subjects) + [0.1 * s.day.toordinal() / 365 for s in subjects]


def test_the_index_says_what_the_reference_was_worth_then_for_what_it_is_worth_now() -> None:
    found = market_index(replace(VALUER, model=Rising()), subject(day=date(2026, 3, 1)))
    # By hand: two years of 365 days and one more day before the last: 100 · e^(−.1 · 730 / 365) = 81.87.
    assert found.level[0] == pytest.approx(81.87, abs=0.03)
    assert found.level[-1] == 100
    assert found.low[0] < found.level[0] < found.high[0]


def test_an_index_that_never_moves_can_be_drawn() -> None:
    days = (date(2024, 1, 1), date(2025, 1, 1))
    flat = MarketIndex(days, (100.0, 100.0), (100.0, 100.0), (100.0, 100.0), None)
    ET.fromstring(index_picture(flat, "Ostvik"))


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(0, 10, [0, 2, 4, 6, 8, 10]), (940, 1210, [950, 1000, 1050, 1100, 1150, 1200]), (0.0, 0.9, None)],
)
def test_ticks_are_round_and_inside(low: float, high: float, expected: list[float] | None) -> None:
    found = ticks(low, high)
    assert all(low <= t <= high for t in found)
    assert expected is None or found == pytest.approx(expected)


def test_coordinates_are_short() -> None:
    assert [number(x) for x in (-0.04, 12.0, 3.14159)] == ["0", "12", "3.1"]
    assert Canvas("a", 10, "t", "d").svg().count("<text") == 0


# ── texts stay inside ────────────────────────────────────────────────────────

LONG = "W" * 60


def breadth_in_dejavu(words: str, size: float, *, bold: bool) -> float:
    """Return the breadth of the words in the broadest of the fonts that a picture names."""
    font = FT2Font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))
    font.set_size(size, 72)
    font.set_text(words, 0, flags=LoadFlags.NO_HINTING)
    return float(font.get_width_height()[0]) / 64


def assert_texts_inside(picture: str) -> list[str]:
    """Every text of the picture ends inside of it; returned for more checks."""
    root, texts = ET.fromstring(picture), []
    for text in root.iter(f"{SVG}text"):
        at, words = float(str(text.get("x"))), str(text.text)
        bold = text.get("font-weight") is not None
        broad = breadth_in_dejavu(words, float(str(text.get("font-size"))), bold=bold)
        start = at - broad * {"start": 0, "middle": 0.5, "end": 1}[str(text.get("text-anchor"))]
        assert start >= 0 and start + broad <= float(str(root.get("width"))), words
        texts.append(words)
    return texts


@pytest.mark.parametrize("field", [f for f in FIELDS if f.terms], ids=lambda field: field.path)
def test_no_label_of_the_walk_is_clipped_and_no_term_cut(field: Field) -> None:
    for term in field.names:
        value = float(term) if field.kind is Kind.GRADE else term
        factor = Factor(field.path, field.label, value, None, 0.1, Decimal(100), 0.0)
        family = VALUATION.families[0]._replace(factors=(factor,))
        texts = assert_texts_inside(walk_picture(replace(VALUATION, families=(family,))))
        assert f"{head_of(field.path)}: {words_of(field.path, value)}" in texts


def test_a_name_of_any_length_is_cut_and_not_clipped() -> None:
    factor = Factor("finish", "finish", LONG, None, 0.1, Decimal(100), 0.0)
    family = VALUATION.families[0]._replace(factors=(factor,))
    long = replace(
        VALUATION, families=(family,), instrument=VALUATION.instrument._replace(maker=LONG, model=LONG)
    )
    for picture in (walk_picture(long), span_picture(long, FOUND), index_picture(INDEX, f"{LONG} {LONG}")):
        assert any(words.endswith("…") for words in assert_texts_inside(picture))
        assert LONG in picture  # the title and the description are whole
