"""The shipped rules say what the trade says, name every field that a rule can, and fit together."""

from __future__ import annotations

from itertools import pairwise
from math import prod, sqrt
from typing import Any

import pytest

from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, Field, Kind
from models.practice import shipped

RULES = {rule.name: rule for rule in shipped().rules}

# The prices that the trade names (common practice, no source), with what each is about.
TRADE = {
    "choice_specimen": (1.5, 2.0, {"figure": 5.0, "edition_number": 10, "edition_total": 500}),
    "clean_prototype": (2.5, 4.0, {"build": "prototype"}),
    "heavily_played": (
        0.5,
        0.65,
        {f"condition_{part}": 4.0 for part in ("top", "back", "neck", "headstock", "frets", "hardware")},
    ),
    "offer_of_a_dealer": (0.6, 0.65, {}),
    "refinished": (0.5, 0.6, {"originality_finish": "refinished"}),
    "repaired_headstock": (0.5, 0.65, {"condition_structure": "repaired_headstock"}),
}
PARTS = ("pickups", "wiring", "tuners", "bridge", "tailpiece", "nut", "pickguard")
# The other rows of the trade's table: that records undercount, that a split coil must be tested and that
# accessories are counterfeited say no price; the part that an edition is known by differs by edition, and
# what its lack costs is the edition's premium, which belongs to one market.

# Fields that no rule names, each with the reason.
LEFT_OUT = {
    "maker": "its level is the market's",
    "model": "its level is the market's",
    "edition": "its premium is the market's; its size has a rule",
    "year": "what a year is worth differs by model",
    "finish": "what a colour is worth differs by maker; its share has rules",
    "serial": "it says who it is, and moves no price",
}


@pytest.mark.parametrize("name", TRADE)
def test_the_shipped_file_says_what_the_trade_says(name: str) -> None:
    low, high, of = TRADE[name]
    rule = RULES[name]
    assert (rule.low, rule.high, dict(rule.of)) == (low, high, of)
    assert rule.as_if_sales == 8 and rule.source == "common practice"


def test_a_dealers_offer_is_one_of_dealers_and_first_askings_lie_above() -> None:
    assert (RULES["offer_of_a_dealer"].kind, RULES["offer_of_a_dealer"].channel) == ("offer", "dealer")
    assert RULES["asking"].kind == "asking" and 1 < RULES["asking"].low < RULES["asking"].high < 2


def test_a_modern_part_costs_a_few_per_cent_and_pickups_more() -> None:
    others = [RULES[f"modern_{part}"] for part in PARTS if part != "pickups"]
    assert all(0.92 < rule.low < rule.high < 1 for rule in others)
    assert RULES["modern_pickups"].high < min(rule.low for rule in others)


@pytest.mark.parametrize("field", FIELDS, ids=lambda field: field.flat)
def test_every_field_has_a_rule_or_a_reason_to_have_none(field: Field) -> None:
    named = {name for rule in RULES.values() for name in rule.of}
    assert (field.flat in named) != (field.flat in LEFT_OUT)


@pytest.mark.parametrize(
    "field",
    [f for f in FIELDS if f.kind is Kind.TERM or f.flat == "provenance_paperwork"],
    ids=lambda field: field.flat,
)
def test_every_word_of_a_field_is_held_against_the_usual_one(field: Field) -> None:
    words: set[Any] = set(field.names) or {True, False}
    alone = [rule for rule in RULES.values() if list(rule.of) == [field.flat]]
    assert {rule.of[field.flat] for rule in alone} | {rule.against[field.flat] for rule in alone} == words
    assert len({rule.against[field.flat] for rule in alone}) == 1


def test_every_channel_has_a_rule_and_offers_are_told_channel_by_channel() -> None:
    sold = [rule for rule in RULES.values() if "channel" in rule.of]
    assert {rule.of["channel"] for rule in sold} | {"private"} == set(CHANNEL_NAMES)
    offers = [rule.channel for rule in RULES.values() if rule.kind == "offer"]
    assert sorted(map(str, offers)) == sorted(CHANNEL_NAMES)


def _middle(name: str) -> float:
    return sqrt(RULES[name].low * RULES[name].high)


def test_the_rules_of_the_parts_and_of_the_whole_fit_together() -> None:
    parts = ("top", "back", "neck", "headstock", "frets", "hardware")
    moderate = prod(_middle(f"moderate_wear_of_{part}") for part in parts)
    full = prod(_middle(f"full_wear_of_{part}") for part in parts)
    assert full < RULES["heavily_played"].low and moderate > RULES["heavily_played"].high
    assert RULES["heavily_played"].low < sqrt(moderate * full) < RULES["heavily_played"].high
    choice = _middle("exceptional_figure") * _middle("low_number")
    assert RULES["choice_specimen"].low < choice < RULES["choice_specimen"].high


@pytest.mark.parametrize(
    "names",
    [
        *[(f"period_{part}", f"modern_{part}", f"missing_{part}") for part in PARTS],
        ("repaired_crack", "open_crack", "repaired_headstock", "broken_headstock"),
        ("electronics_partly_working", "electronics_dead"),
        ("oversprayed", "refinished"),
        ("filled_routing", "open_routing"),
        ("period_case", "modern_case", "no_case"),
        ("first_of_an_edition", "low_number", "last_of_an_edition"),
        ("scarce_finish", "less_usual_finish"),
    ],
)
def test_what_is_worse_brings_less(names: tuple[str, ...]) -> None:
    for better, worse in pairwise(names):
        assert RULES[worse].low < RULES[better].low and RULES[worse].high < RULES[better].high


def test_no_rule_lets_a_loss_raise_the_price() -> None:
    losses = {f.flat for f in FIELDS if f.loss_ordered}
    about = [rule for rule in RULES.values() if rule.of and losses.issuperset(rule.of)]
    assert len(about) > 40 and all(rule.high < 1 for rule in about)
