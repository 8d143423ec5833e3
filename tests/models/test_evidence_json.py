"""A record as JSON is read by the same rules as a row of a CSV file, and faults say where they stand."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from fakes import CATALOGUE, RATES
from one_record import DAL, TODAY

from models.domain.cells import last_day
from models.domain.evidence import Evidence
from models.errors import InputError
from models.tables.evidence_columns import COLUMNS, from_row, to_row


def read(**changes: Any) -> Evidence:
    data = {**DAL, **changes}
    return Evidence.from_nested(
        {name: value for name, value in data.items() if value is not ...}, CATALOGUE, RATES, today=TODAY
    )


def faults(**changes: Any) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        read(**changes)
    return {
        fault.field: f"{fault.problem}; {fault.allowed}; {fault.next_step}" for fault in caught.value.faults
    }


def test_json_and_csv_of_one_record_are_one_record() -> None:
    flat = {**{k: v for k, v in DAL.items() if k != "instrument"}, "maker": "ostvik", "model": "DAL"}
    row = Evidence.from_flat({**flat, "year": "1965", "condition_neck": "2"}, CATALOGUE, RATES, today=TODAY)
    assert read() == row
    assert (row.instrument.maker, row.instrument.model) == ("Ostvik", "Dal")


def test_what_is_written_is_read_again_alike() -> None:
    once = read()
    assert Evidence.from_nested(once.to_nested(), CATALOGUE, RATES, today=TODAY) == once
    row = to_row(once)
    assert tuple(row) == COLUMNS
    assert (row["maker"], row["model"], row["price"]) == ("ostvik", "dal", "1200.50")
    assert from_row(row) == once


def test_a_price_may_be_a_number() -> None:
    assert str(read(price=1200.5).price) == "1200.5"
    assert str(read(price=1200).price) == "1200"


@pytest.mark.parametrize(
    ("changes", "path", "says"),
    [
        ({"id": ...}, "id", "is required"),
        ({"id": 3}, "id", "is not text"),
        ({"kind": "rumour"}, "kind", "sale, asking, offer"),
        ({"date": "2026-01-03"}, "date", "in the future"),
        ({"price": True}, "price", "is not text"),
        ({"price": 0}, "price", "is not above 0"),
        ({"price": None}, "price", "is required"),
        ({"price": [1]}, "price", "is not text"),
        ({"currency": "EURO"}, "currency", "did you mean EUR"),
        ({"channel": ...}, "channel", "is required"),
        ({"prize": "1"}, "prize", "did you mean price"),
        ({"instrument": ...}, "instrument.maker", "is required"),
        ({"instrument": None}, "instrument", "is not an object"),
        ({"instrument": {"maker": "Ostvik", "model": "Dall"}}, "instrument.model", "did you mean Dal"),
        (
            {"instrument": {**DAL["instrument"], "condition": {"neck": 7}}},
            "instrument.condition.neck",
            "0 to 5",
        ),
    ],
)
def test_a_fault_says_where_it_stands(changes: dict[str, Any], path: str, says: str) -> None:
    found = faults(**changes)
    assert says in found.pop(path)
    assert set(found) <= {"instrument.model"}  # of an instrument that is not there at all


def test_all_that_is_wrong_is_said_at_once_unknown_names_too() -> None:
    it = {"maker": "Ostvik", "model": "Dall", "year": "old", "colour": "red"}
    found = faults(kind="", date="then", instrument=it)
    assert set(found) == {"kind", "date", *(f"instrument.{name}" for name in ("model", "year", "colour"))}


def test_a_source_is_one_line_without_control_characters() -> None:
    assert read(source="one\ntwo\0three\t \udcff").source == "one two three"


@pytest.mark.parametrize("data", [[], "x", 3, None])
def test_what_is_no_object_is_refused(data: Any) -> None:
    with pytest.raises(InputError, match="is not an object"):
        Evidence.from_nested(data, CATALOGUE, RATES, today=TODAY)


def test_the_last_day_is_that_of_the_place_where_it_begins_first() -> None:
    noon = datetime(2026, 3, 1, 12, tzinfo=UTC)
    assert last_day(noon) == date(2026, 3, 2)  # two in the morning at UTC+14
    assert last_day(noon - timedelta(hours=3)) == date(2026, 3, 1)
