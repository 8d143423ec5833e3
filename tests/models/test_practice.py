"""Common practice: what is read is what was written, and each fault is named."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rules import RULE, written

from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, Field, Kind
from models.errors import PracticeError
from models.practice import NO_PRACTICE, Practice, Rule, read_practice

ASKING = {key: value for key, value in RULE.items() if key not in ("of", "against")} | {"kind": "asking"}
NUMBERED = {"edition_number": 3, "edition_total": 100}


# ── any well-formed rule ─────────────────────────────────────────────────────

_OF_A_MARKET = {"maker", "model", "edition", "year", "finish", "serial"}
_line = st.text(st.characters(categories=["L", "N", "P", "S"]), min_size=1, max_size=40)
_name = st.from_regex(r"[a-z][a-z0-9]{0,9}(_[a-z0-9]{1,9}){0,3}", fullmatch=True)
_VALUES: dict[str, st.SearchStrategy[Any]] = {
    "finish_share": st.floats(0, 1),
    "edition_total": st.integers(1, 5000),
    "channel": st.sampled_from(CHANNEL_NAMES),
}


def _values(field: Field) -> st.SearchStrategy[Any]:
    if field.kind is Kind.TERM:
        return st.sampled_from(field.names)
    if field.kind is Kind.FLAG:
        return st.booleans()
    assert field.low is not None and field.high is not None
    return st.floats(field.low, field.high)


_VALUES |= {f.flat: _values(f) for f in FIELDS if f.flat not in {*_OF_A_MARKET, "edition_number"}}


@st.composite
def _sides(draw: st.DrawFn) -> tuple[dict[str, Any], dict[str, Any]]:
    names = draw(st.lists(st.sampled_from(sorted(_VALUES)), min_size=1, max_size=6, unique=True))
    sides = [{name: draw(_VALUES[name]) for name in names} for _ in range(2)]
    if "edition_total" in names and draw(st.booleans()):
        for side in sides:
            side["edition_number"] = draw(st.integers(1, side["edition_total"]))
    if sides[0] == sides[1]:
        sides[0] |= {"build": "prototype"}
        sides[1] |= {"build": "production"}
    return sides[0], sides[1]


@st.composite
def _rules(draw: st.DrawFn) -> Rule:
    kind = draw(st.sampled_from(("sale", "asking", "offer")))
    of, against = draw(_sides()) if kind == "sale" else ({}, {})
    shares = st.floats(0.05, 20)
    low, high = sorted(draw(st.lists(shares, min_size=2, max_size=2, unique=True)))
    channel = draw(st.sampled_from((None, *CHANNEL_NAMES))) if kind != "sale" else None
    sales = draw(st.floats(0, 1000, exclude_min=True))
    return Rule(draw(_name), draw(_line), of, against, low, high, sales, draw(_line), kind, channel)


@given(st.lists(_rules(), max_size=4, unique_by=lambda rule: rule.name))
def test_any_well_formed_rules_are_read_as_they_were_written(rules: list[Rule]) -> None:
    text = written([asdict(rule) for rule in rules])
    assert read_practice(text) == Practice(tuple(rules), text)


@given(st.lists(_rules(), min_size=1, max_size=3, unique_by=lambda rule: rule.name), st.data())
def test_no_single_key_can_be_left_out_or_misspelt_in_silence(rules: list[Rule], data: st.DataObject) -> None:
    given_rules = [asdict(rule) for rule in rules]
    spoilt = data.draw(st.sampled_from(given_rules))
    needed = [key for key in spoilt if spoilt[key] not in ({}, None) and key != "kind"]
    key = data.draw(st.sampled_from(needed))
    value = spoilt.pop(key)
    if data.draw(st.booleans()) or key == "channel":
        spoilt[key + "_"] = value
    with pytest.raises(PracticeError) as caught:
        read_practice(written(given_rules))
    assert key in str(caught.value)


@given(st.text() | st.text("[]={}\"'\n abrule.1,#", max_size=60))
def test_any_text_is_read_or_refused_with_reasons(text: str) -> None:
    try:
        found = read_practice(text)
    except PracticeError as error:
        assert error.faults and all(fault.problem for fault in error.faults)
    else:
        assert found.text == text and found.rules == ()


# ── what is left out, and what the file may look like ────────────────────────


@pytest.mark.parametrize("text", ["", "# nothing\n", "rule = []"])
def test_an_empty_file_is_no_practice(text: str) -> None:
    assert read_practice(text) == Practice((), text)
    assert (NO_PRACTICE.rules, NO_PRACTICE.text) == ((), "")


def test_a_bom_and_crlf_do_no_harm_and_the_text_stays_as_it_was() -> None:
    text = "\ufeff" + written([RULE]).replace("\n", "\r\n")
    found = read_practice(text)
    assert found.rules == read_practice(written([RULE])).rules and found.text == text


def test_a_rule_is_about_sales_where_it_does_not_say() -> None:
    (rule,) = read_practice(written([RULE])).rules
    assert (rule.kind, rule.channel) == ("sale", None)


def test_numbers_are_read_as_their_fields_have_them() -> None:
    sides = {"of": {"figure": 5, "edition_number": 3, "edition_total": 100}}
    sides["against"] = {"figure": 2, "edition_number": 100, "edition_total": 100}
    (rule,) = read_practice(written([RULE | sides])).rules
    assert [type(value) for value in rule.of.values()] == [float, int, int]


# ── faults ───────────────────────────────────────────────────────────────────


def _with(**changes: Any) -> dict[str, Any]:
    return RULE | changes


def _of(**fields: Any) -> dict[str, Any]:
    """The rule with these fields on its first side, and the same fields on the second."""
    return RULE | {"of": fields, "against": {**fields, "build": "production"}}


@pytest.mark.parametrize(
    ("rule", "place", "words"),
    [
        (_with(name=None), "name", ("is required",)),
        (_with(name="Re finished"), "name", ("'Re finished'", "lower snake case")),
        (_with(name=3), "name", ("3", "no line of printable text")),
        (_with(says="  "), "says", ("no line of printable text",)),
        (_with(says="a\u0007b"), "says", ("no line of printable text",)),
        (_with(says="long " * 100), "says", ("at most 400 characters",)),
        (_with(source=None), "source", ("is required",)),
        (_with(low=None), "low", ("is required",)),
        (_with(low="half"), "low", ("'half'", "not a number", "0.05 to 20")),
        (_with(low=True), "low", ("True", "not a number")),
        (_with(low=0), "low", ("out of range", "0.05 to 20")),
        (_with(low=50, high=60), "high", ("60", "out of range", "half is 0.5")),
        (_with(high=10**400), "high", ("out of range",)),
        (_with(low=0.55), "low", ("0.55", "not below high")),
        (_with(low=0.6), "low", ("0.6", "not below high", "less than 0.55")),
        (_with(as_if_sales=0), "as_if_sales", ("out of range", "above 0")),
        (_with(as_if_sales=-3), "as_if_sales", ("-3", "above 0, at most 1000")),
        (_with(as_if_sale=3), "as_if_sale", ("a rule does not have", "did you mean as_if_sales?")),
        (_with(kind="listing"), "kind", ("'listing'", "sale, asking, offer")),
        (_with(channel="dealer"), "channel", ("asking or offer only", "of and against")),
        (ASKING | {"channel": "shop"}, "channel", ("'shop'", "private, dealer, auction, online")),
        (ASKING | {"of": {"figure": 5}}, "of, against", ("figure", "beside kind asking")),
        (_with(of=None, against=None), "of, against", ("is required", "say what differs")),
        (_with(against=None), "of, against", ("originality_finish", "one side only")),
        (_with(of=RULE["of"] | {"figure": 5}), "of, against", ("figure", "one side only")),
        (_with(of=RULE["against"]), "against", ("is the same as of",)),
        (_with(of=3), "of", ("3", "is not a table")),
        (_of(condition_nek=3), "of.condition_nek", ("did you mean condition_neck?",)),
        (_of(condition={"neck": 3}), "of.condition", ("group of fields", "flat name")),
        (_of(condition_neck=6), "of.condition_neck", ("6", "out of range", "0 to 5")),
        (_of(condition_neck="worn"), "of.condition_neck", ("'worn'", "not a number")),
        (_of(condition_neck="unknown"), "of.condition_neck", ("'unknown'", "says nothing")),
        (_of(originality_nut=""), "of.originality_nut", ("says nothing",)),
        (_of(originality_nut="newish"), "of.originality_nut", ("original, period, modern, missing",)),
        (_of(provenance_paperwork="yes"), "of.provenance_paperwork", ("true, false",)),
        (_of(channel="shop"), "of.channel", ("private, dealer, auction, online",)),
        (_of(channel="unknown"), "of.channel", ("not a term",)),
        (_of(finish_share=1.5), "of.finish_share", ("1.5", "0 to 1")),
        (_of(finish_share="?"), "of.finish_share", ("'?'", "not a number")),
        (_of(edition_total=0), "of.edition_total", ("out of range", "from 1")),
        (_of(edition_total=2.5), "of.edition_total", ("2.5", "whole number")),
        (_of(edition_number=3), "of.edition_number", ("size of its edition", "edition_total")),
        (_of(**NUMBERED | {"edition_number": 101}), "of.edition_number", ("101", "above", "1 to 100")),
        *[
            (_of(**{field: value}), f"of.{field}", ("belongs to one market", "leave it out"))
            for field, value in (
                ("maker", "Ostvik"), ("model", "Dal"), ("edition", "Solverv"), ("finish", "Tarn"),
                ("year", 1964), ("serial", "7"), ("day", "2020-01-01"), ("date", "2020-01-01"),
            )
        ],
    ],
)  # fmt: skip
def test_a_fault_names_rule_key_value_and_what_is_allowed(
    rule: dict[str, Any], place: str, words: tuple[str, ...]
) -> None:
    with pytest.raises(PracticeError) as caught:
        read_practice(written([rule]))
    name = " (refinished)" if rule.get("name") == "refinished" else ""
    (fault,) = [fault for fault in caught.value.faults if fault.field == f"rule 1{name}, {place}"]
    assert [word for word in words if word not in str(fault)] == []
    assert fault.next_step and str(fault) in str(caught.value)


@pytest.mark.parametrize("number", ["nan", "inf", "-inf"])
def test_a_number_that_is_none_is_out_of_range(number: str) -> None:
    for key in ("low", "high", "as_if_sales"):
        with pytest.raises(PracticeError, match=rf"{key}: {number} is out of range"):
            read_practice(written([_with(**{key: None})]) + f"{key} = {number}\n")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[rule]\nx = 1", ("'[[rule]'", "is not TOML", "line 1")),
        ("\n\na = = 3\n", ("'a = = 3'", "is not TOML", "line 3")),
        ("rule = 3", ("rule: 3", "[[rule]]")),
        ("[rule]\nname = 'x'", ("is not a list of tables", "[[rule]]")),
        ("rule = [3]", ("rule 1: 3", "is not a table")),
        ("[[rules]]", ("practice, rules", "did you mean rule?")),
    ],
)
def test_a_text_that_holds_no_rules_says_where(text: str, words: tuple[str, ...]) -> None:
    with pytest.raises(PracticeError) as caught:
        read_practice(text)
    assert [word for word in words if word not in str(caught.value)] == []


def test_all_faults_are_told_at_once_and_names_stand_once() -> None:
    spoilt = [_with(low=0), _with(name="other", kind="x", soruce="y"), RULE]
    with pytest.raises(PracticeError) as caught:
        read_practice(written(spoilt))
    assert sorted(fault.field for fault in caught.value.faults) == [
        "rule 1 (refinished), low",
        "rule 2 (other), kind",
        "rule 2 (other), soruce",
        "rule 3 (refinished), name",
    ]
