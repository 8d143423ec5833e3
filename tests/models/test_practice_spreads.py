"""Spreads of common practice: what is read is what was written, and each fault is named."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rules import RULE, written

from models.errors import PracticeError
from models.practice import SpreadStatement, read_practice

SPREAD = {"name": "makers", "says": "Makers differ.", "of": "maker", "factor": 1.5, "source": "a guess"}
_SPREADS = ("maker", "model", "edition", "year", "run")


@given(st.lists(st.tuples(st.sampled_from(_SPREADS), st.floats(1.01, 10)), unique_by=lambda one: one[0]))
def test_any_well_formed_spreads_are_read_beside_rules(drawn: list[tuple[str, float]]) -> None:
    spreads = [SPREAD | {"name": f"of_{of}", "of": of, "factor": factor} for of, factor in drawn]
    text = written(spreads, "spread") + "\n" + written([RULE])
    found = read_practice(text)
    assert [rule.name for rule in found.rules] == ["refinished"]
    assert found.spreads == tuple(
        SpreadStatement(f"of_{of}", "Makers differ.", of, factor, "a guess") for of, factor in drawn
    )


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"of": "finish"}, "of", ("'finish'", "maker, model, edition, year, run")),
        ({"of": None}, "of", ("is required", "maker, model, edition, year, run")),
        ({"factor": None}, "factor", ("is required", "1.01 to 10")),
        ({"factor": 0.5}, "factor", ("0.5", "out of range", "half as much again is 1.5")),
        ({"factor": "two"}, "factor", ("'two'", "not a number")),
        ({"factr": 2}, "factr", ("a spread does not have", "did you mean factor?")),
        ({"as_if_sales": 2}, "as_if_sales", ("a spread does not have",)),
        ({"says": ""}, "says", ("no line of printable text",)),
    ],
)
def test_a_fault_of_a_spread_is_named(changes: dict[str, Any], field: str, words: tuple[str, ...]) -> None:
    with pytest.raises(PracticeError) as caught:
        read_practice(written([SPREAD | changes], "spread"))
    (fault,) = [one for one in caught.value.faults if one.field == f"spread 1 (makers), {field}"]
    assert [word for word in words if word not in str(fault)] == []


def test_names_and_groups_of_spreads_stand_once() -> None:
    again = [SPREAD | {"name": "refinished"}, SPREAD | {"name": "others"}]
    with pytest.raises(PracticeError) as caught:
        read_practice(written([RULE]) + "\n" + written(again, "spread"))
    assert [str(fault).split(": ")[0] for fault in caught.value.faults] == [
        "spread 1 (refinished), name",
        "spread 2 (others), of",
    ]
