"""Bad rows of a stock list: each says all that is wrong with it, and the others are valued."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from asking import Caller
from jsonschema import Draft202012Validator
from stock import CSV, NDJSON, PATH, ROWS, as_csv, as_ndjson, by_ndjson, post

from models.domain.vocabulary import FIELDS

BAD: list[tuple[Any, dict[str, str]]] = [
    ({"id": "b", "instrument": {"maker": "Ostvik", "model": "Dahl"}}, {"#/instrument/model": "Dal"}),
    (
        {"id": "b", "instrument": {"maker": "Ostvik", "model": "Dal", "condition": {"neck": 9}}, "date": "x"},
        {"#/instrument/condition/neck": "from 0 to 5", "#/date": "YYYY-MM-DD"},
    ),
    (
        {"id": 7, "instrument": None, "chanel": "x"},
        {"#/id": "text", "#/instrument": "", "#/chanel": "channel"},
    ),
    ({"instrument": []}, {"#/id": "text", "#/instrument": "object"}),
    (
        {"id": "b", "instrument": {"maker": "Ostvik", "model": "Dal"}, "channel": 3, "date": []},
        {"#/channel": "text", "#/date": "text"},
    ),
]


@pytest.mark.parametrize(("row", "faults"), BAD)
def test_a_bad_line_says_all_that_is_wrong_and_the_others_are_valued(
    caller: Caller, row: Any, faults: dict[str, str]
) -> None:
    good, bad, after = by_ndjson(caller, as_ndjson([ROWS[0], row, ROWS[1]]))
    assert "value" in good and "value" in after and after["line"] == 3
    assert set(bad) == {"line", "id", "errors"} and bad["line"] == 2
    assert {fault["pointer"] for fault in bad["errors"]} == set(faults)
    for fault in bad["errors"]:
        assert fault["problem"] and fault["next_step"] is not None
        hints = fault["allowed"] + fault["next_step"]
        assert faults[fault["pointer"]] in hints


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        (b"{", "is not JSON"),
        (b"[1]", "is JSON, but not an object"),
        (b'{"id": "a", "id": "b"}', "stands twice"),
        (b"\xff{}", "is not JSON"),
        (b"[" * 5000, "too many objects and lists"),
    ],
)
def test_a_line_that_is_no_object_is_a_bad_row(caller: Caller, line: bytes, problem: str) -> None:
    bad, good = by_ndjson(caller, b"\xef\xbb\xbf" + line + b"\n\n  \r\n" + as_ndjson(ROWS[:1]).encode())
    (fault,) = bad["errors"]
    assert (fault["field"], fault["pointer"], bad["id"]) == ("row", None, None)
    assert problem in fault["problem"] and fault["allowed"]
    assert good["line"] == 4 and good["value"]


def test_a_bad_row_of_csv_names_line_field_value_and_what_to_do(caller: Caller) -> None:
    text = as_csv(ROWS[:1]) + "b,,,,Ostvik,Dal" + "," * (len(FIELDS) - 2) + "\r\nc,,,Ostvik\r\n"
    text = text.replace("b,,,,Ostvik,Dal", "b,2026-13-01,,,Ostvik,Dahl")
    rows = list(csv.DictReader(io.StringIO(post(caller, text, CSV).text)))
    assert [row["id"] for row in rows] == ["A", "b", "c"] and rows[0]["value"]
    assert rows[1]["error"].startswith("line 3: date: '2026-13-01' is not a day of the calendar; allowed: ")
    assert "'Dahl'" in rows[1]["error"] and "Dal" in rows[1]["error"]
    assert rows[2]["error"].startswith("line 4: row: ") and not rows[2]["value"]


def test_a_day_without_a_rate_is_a_fault_of_its_row(caller: Caller) -> None:
    rows = [ROWS[0], {**ROWS[1], "date": "1999-01-01"}]
    good, bad = by_ndjson(caller, as_ndjson(rows), "?currency=EUR")
    assert good["currency"] == "EUR" and [fault["field"] for fault in bad["errors"]] == ["currency"]


# ── as it is described ───────────────────────────────────────────────────────


def test_lines_are_as_they_are_described(caller: Caller) -> None:
    document: Any = caller.get("/openapi.json").json
    described = document["paths"][PATH]["post"]
    sent, answered = (
        said["content"][NDJSON]["schema"]["contentSchema"]
        for said in (described["requestBody"], described["responses"]["200"])
    )
    assert (sent["$ref"][-8:], answered["$ref"][-10:]) == ("StockRow", "StockValue")
    parts = {"components": document["components"]}
    row, value = (Draft202012Validator({**schema, **parts}) for schema in (sent, answered))
    for line in by_ndjson(caller, as_ndjson([*ROWS, *(bad for bad, _ in BAD)])):
        value.validate(line)
        assert set(line) <= set(document["components"]["schemas"]["StockValue"]["properties"])
    assert all(row.is_valid(one) for one in ROWS) and not any(row.is_valid(bad) for bad, _ in BAD[1:])
