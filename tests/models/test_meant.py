"""A value of the wrong form is refused with what was probably meant, in JSON and in CSV."""

from __future__ import annotations

from typing import Any

import pytest

from models.domain.instrument import Instrument
from models.domain.parsing import plain
from models.domain.vocabulary import BY_PATH
from models.errors import Fault, InputError
from models.tables.stocklist import KNOWN_COLUMNS
from models.tables.table import ignored_columns


def fault_of(path: str, value: Any, *, csv: bool = False) -> Fault:
    """The one fault of an instrument with this value."""
    group, _, name = path.rpartition(".")
    named = {"maker": "x", "model": "y"}
    flat = {**named, BY_PATH[path].flat: value}
    nested = {**named, **({group: {name: value}} if group else {name: value})}
    with pytest.raises(InputError) as error:
        Instrument.from_flat(flat) if csv else Instrument.from_nested(nested)
    (fault,) = error.value.faults
    return fault


@pytest.mark.parametrize(
    ("path", "value", "problem", "step"),
    [
        ("condition.neck", "2", "is text, not a number", "send 2 without quotes"),
        ("year", "1983", "is text, not a number", "send 1983 without quotes"),
        ("weight_kg", " 3.8 ", "is text, not a number", "send 3.8 without quotes"),
        ("provenance.paperwork", "True", "is text, not true or false", "send true without quotes"),
        (
            "weight_kg",
            "3,8",
            "has a decimal comma",
            "write the decimal point as a point: 3.8 without quotes",
        ),
        ("condition.neck", "light", "is not a number", "did you mean 2 (light), without quotes?"),
        ("figure", "exceptionl", "is not a number", "did you mean 5 (exceptional), without quotes?"),
    ],
)
def test_json_says_how_to_send_it(path: str, value: str, problem: str, step: str) -> None:
    fault = fault_of(path, value)
    assert (fault.field, fault.problem, fault.next_step) == (path, problem, step)


@pytest.mark.parametrize(
    ("path", "value", "problem", "step"),
    [
        ("weight_kg", "3,8", "has a decimal comma", "write the decimal point as a point: 3.8"),
        ("condition.neck", "Light", "is not a number", "did you mean 2 (light)?"),
        ("figure", "plain", "is not a number", "did you mean 0 (plain)?"),
    ],
)
def test_csv_says_how_to_write_it(path: str, value: str, problem: str, step: str) -> None:
    fault = fault_of(path, value, csv=True)
    assert (fault.problem, fault.next_step) == (problem, step)


@pytest.mark.parametrize("csv", [False, True])
def test_the_word_for_a_grade_is_suggested_as_the_grade_in_both_forms(csv: bool) -> None:
    assert fault_of("condition.frets", "worn through", csv=csv).suggestions == ("5",)
    assert fault_of("condition.frets", "rather used", csv=csv).suggestions == ()


def test_numbers_are_written_in_full() -> None:
    assert [plain(x) for x in (1e7, 0.5, 20, 100.0, 1e12)] == [
        "10000000",
        "0.5",
        "20",
        "100",
        "1000000000000",
    ]
    assert fault_of("edition_number", 0).allowed == "a whole number from 1 to 10000000"


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("colour", ("finish",)),
        ("color", ("finish",)),
        ("finish_colour", ("finish",)),
        ("serial_number", ("serial",)),
        ("neck", ("condition.neck",)),
        ("top", ("condition.top",)),
        ("finish originality", ("originality.finish",)),
        ("pikups", ("originality.pickups",)),
        ("since", ()),
        ("price", ()),
        ("notes", ()),
    ],
)
def test_an_unknown_field_is_taken_for_what_people_call_one_or_for_none(
    name: str, meant: tuple[str, ...]
) -> None:
    assert fault_of_unknown(name).suggestions == meant


def fault_of_unknown(name: str) -> Fault:
    with pytest.raises(InputError) as error:
        Instrument.from_nested({"maker": "x", "model": "y", name: "z"})
    (fault,) = error.value.faults
    return fault


def test_an_ignored_column_comes_with_the_column_that_it_may_be() -> None:
    told = ignored_columns(("colour", "asking_price", "Condition Nek", "since"), KNOWN_COLUMNS)
    assert told == (
        "ignored columns: colour (did you mean finish?), asking_price, "
        "Condition Nek (did you mean condition_neck?), since"
    )
