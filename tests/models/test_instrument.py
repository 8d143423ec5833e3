"""One specimen: read from JSON and CSV by the same rules, every fault named, written back as it came."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.domain.instrument import FLAT_NAMES, Instrument
from models.domain.vocabulary import BY_FLAT, BY_PATH, FIELDS, Field, Kind
from models.errors import Fault, InputError

_WORDS = st.text("abcdefgh XYZ0123éß-", min_size=1, max_size=20).map(str.strip)
_WORDS = _WORDS.filter(lambda text: text.strip("- ") != "")  # dashes alone say that nothing is known


def values(field: Field) -> st.SearchStrategy[Any]:
    """Known values of one field, as JSON has them."""
    if field.kind is Kind.TEXT:
        return _WORDS.map(lambda text: " ".join(text.split()))
    if field.kind is Kind.TERM:
        return st.sampled_from(field.names)
    if field.kind is Kind.FLAG:
        return st.booleans()
    assert field.low is not None and field.high is not None
    if field.kind is Kind.INTEGER:
        return st.integers(int(field.low), int(field.high))
    return st.floats(field.low, field.high)


@st.composite
def instruments(draw: st.DrawFn) -> Instrument:
    known = {
        f.flat: draw(values(f) if f.flat in ("maker", "model") else st.none() | values(f)) for f in FIELDS
    }
    return Instrument(**known)


@given(instruments())
def test_json_and_csv_give_back_the_same_specimen(it: Instrument) -> None:
    assert Instrument.from_nested(it.to_nested()) == it
    assert Instrument.from_flat(it.to_flat()) == it


def faults(data: Any) -> tuple[Fault, ...]:
    with pytest.raises(InputError) as caught:
        Instrument.from_nested(data)
    return caught.value.faults


def fault(**fields: Any) -> Fault:
    found = faults({"maker": "Ostvik", "model": "Dal", **fields})
    assert len(found) == 1
    return found[0]


def test_the_dataclass_and_the_vocabulary_name_the_same_fields() -> None:
    assert tuple(BY_FLAT) == FLAT_NAMES


def test_the_contracts_fields_are_all_there() -> None:
    """Written out by hand from the published list of fields, not from the vocabulary."""
    plain = [
        "maker",
        "model",
        "edition",
        "year",
        "finish",
        "serial",
        "edition_number",
        "build",
        "figure",
        "weight_kg",
    ]
    condition = ["top", "back", "neck", "headstock", "frets", "hardware", "electronics", "structure"]
    originality = [
        "finish",
        "pickups",
        "wiring",
        "tuners",
        "bridge",
        "tailpiece",
        "nut",
        "pickguard",
        "frets",
        "routing",
    ]
    provenance = ["history", "paperwork", "case"]
    named = {"condition": condition, "originality": originality, "provenance": provenance}
    assert set(BY_PATH) == {*plain, *(f"{group}.{name}" for group in named for name in named[group])}
    assert BY_PATH["condition.structure"].names == (
        "sound",
        "repaired_crack",
        "open_crack",
        "repaired_headstock",
        "broken_headstock",
    )
    assert BY_PATH["originality.nut"].names == ("original", "period", "modern", "missing")
    assert BY_PATH["build"].names == ("production", "prototype", "custom_order")


@pytest.mark.parametrize("nothing", [None, "", "  "])
def test_missing_null_and_empty_are_not_known(nothing: Any) -> None:
    data = {"maker": "Ostvik", "model": "Dal", "year": nothing, "condition": {"neck": nothing}}
    it = Instrument.from_nested({**data, "provenance": None})
    assert it == Instrument("Ostvik", "Dal")
    assert Instrument.from_flat({"maker": "Ostvik", "model": "Dal", "year": nothing}) == it


def test_a_grade_of_zero_is_known_and_not_the_same_as_unknown() -> None:
    it = Instrument.from_nested({"maker": "Ostvik", "model": "Dal", "condition": {"neck": 0}})
    assert (it.condition_neck, it.condition_top) == (0, None)


def test_every_fault_is_reported_at_once_in_json_paths() -> None:
    found = faults(
        {"maker": "Ostvik", "year": "old", "condition": {"neck": 7, "frets": True}, "colour": "Tarn"}
    )
    assert {f.field for f in found} == {"model", "year", "condition.neck", "condition.frets", "colour"}


def test_csv_faults_name_the_column() -> None:
    with pytest.raises(InputError) as caught:
        Instrument.from_flat({"maker": "Ostvik", "model": "Dal", "condition_neck": "7"})
    assert [f.field for f in caught.value.faults] == ["condition_neck"]
    assert caught.value.faults[0].value == "7"


def test_an_unknown_term_is_answered_with_the_terms_and_the_nearest() -> None:
    found = fault(originality={"finish": "refinish"})
    assert found.allowed == "original, oversprayed, refinished"
    assert found.suggestions[0] == "refinished"


def test_an_unknown_field_is_answered_with_the_nearest() -> None:
    assert fault(condition={"nek": 2}).suggestions[0] == "condition.neck"
    assert fault(finnish="Tarn").suggestions[0] == "finish"


@pytest.mark.parametrize(
    "year", [3019, 1799, 10**400, -1, 1965.5, math.nan, math.inf, "1965", True, [1965], {}]
)
def test_a_year_out_of_bounds_or_of_another_type_is_refused(year: Any) -> None:
    assert fault(year=year).field == "year"


@pytest.mark.parametrize("grade", [7, -0.1, 5.0001, math.nan, "3", False])
def test_wear_off_the_scale_is_refused(grade: Any) -> None:
    assert "from 0 to 5" in fault(condition={"top": grade}).allowed


@pytest.mark.parametrize("wear", ["2,5", "1_0", "0x1", "two", "nan", "inf", "1e999", "٣"])
def test_a_cell_that_is_not_a_plain_number_is_refused(wear: str) -> None:
    with pytest.raises(InputError):
        Instrument.from_flat({"maker": "Ostvik", "model": "Dal", "condition_top": wear})


@pytest.mark.parametrize(("cell", "meant"), [("TRUE", True), (" no ", False), ("1", True), ("0", False)])
def test_flags_in_csv_are_read_as_people_write_them(cell: str, meant: bool) -> None:
    row = {"maker": "Ostvik", "model": "Dal", "provenance_paperwork": cell}
    assert Instrument.from_flat(row).provenance_paperwork is meant


def test_a_flag_of_json_is_true_or_false_only() -> None:
    assert fault(provenance={"paperwork": 1}).allowed == "true, false"


def test_terms_are_read_without_case_and_outer_spaces() -> None:
    it = Instrument.from_flat({"maker": "Ostvik", "model": "Dal", "condition_structure": " Open_Crack "})
    assert it.condition_structure == "open_crack"


def test_a_serial_is_stored_as_written() -> None:
    assert Instrument.from_nested({"maker": "A", "model": "B", "serial": " x  77 b "}).serial == "x  77 b"


@pytest.mark.parametrize("text", [" " + "x" * 200, "x " + " " * 199, " " * 201])
def test_a_text_is_as_long_as_it_was_sent_and_a_cell_as_long_as_what_stands_in_it(text: str) -> None:
    for name in ("serial", "finish"):
        assert fault(**{name: text}).problem == "is too long"
    cells = {"maker": "Ostvik", "model": "Dal", "finish": text}
    assert Instrument.from_flat(cells).finish == (text.strip() or None)


@pytest.mark.parametrize("text", ["a" * 201, "bell\a", "\ud800", "\u202eback"])
def test_text_too_long_or_not_printable_is_refused(text: str) -> None:
    assert fault(finish=text).field == "finish"


@pytest.mark.parametrize("data", [None, [], "guitar", 3])
def test_what_is_no_object_is_refused(data: Any) -> None:
    assert faults(data)[0].field == "instrument"
    assert faults({"maker": "A", "model": "B", "condition": [1]})[0].field == "condition"


@given(
    st.dictionaries(st.text(max_size=12), st.none() | st.booleans() | st.integers() | st.floats() | st.text())
)
def test_whatever_comes_in_is_a_specimen_or_an_input_error(data: dict[str, Any]) -> None:
    try:
        assert isinstance(Instrument.from_nested(data), Instrument)
    except InputError as error:
        assert error.faults and str(error)


def test_a_group_misspelt_is_taken_for_a_group() -> None:
    with pytest.raises(InputError) as caught:
        Instrument.from_nested({"maker": "A", "model": "B", "conditon": {"top": 1}})
    (fault,) = caught.value.faults
    assert (fault.field, fault.suggestions[0]) == ("conditon", "condition")
