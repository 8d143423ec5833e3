"""Files of items: CSV and NDJSON, with wrong rows among good ones."""

from __future__ import annotations

import json
from typing import Any

import pytest
from asking import Caller, assert_problem
from item_bodies import ITEM, ITEM_VALUE, names, put, send
from item_bodies import stock as stock  # a fixture

from models.costs import MOST_ITEM_LINES

NDJSON = "application/x-ndjson"
HEAD = (
    "stock_number,maker,model,condition_neck,cost,cost_currency,asking,asking_currency,bought,channel,status,"
    "shelf"
)
GOOD = "A,ostvik,dal,2,1200,EUR,2500.50,EUR,2025-06-01,dealer,in_stock,B 7"


def _report(found: Any, status: int = 200) -> dict[str, Any]:
    assert found.status_code == status, found.text
    report: dict[str, Any] = found.json
    assert report["rows"] == sum(report[name] for name in ("created", "changed", "unchanged", "refused"))
    return report


def _counts(report: dict[str, Any]) -> tuple[int, ...]:
    return tuple(report[name] for name in ("created", "changed", "unchanged", "refused"))


def test_rows_are_written_as_items_with_the_columns_of_the_caller(stock: Caller) -> None:
    table = f"{HEAD}\n{GOOD}\nB,Ostvik,Dal,,,,,,,,,\n"
    assert _counts(_report(send(stock, table))) == (2, 0, 0, 0)
    item = stock.get("/v1/items/A").json
    assert item["value"] == ITEM_VALUE and item["extra"] == {"shelf": "B 7"}
    assert item["cost"] == {"amount": "1200.00", "currency": "EUR"} and item["bought"] == "2025-06-01"
    bare = stock.get("/v1/items/B").json
    assert (bare["extra"], bare["channel"], bare["status"], bare["cost"]) == ({}, "private", "in_stock", None)
    before = stock.get("/v1/items/changes").json
    assert _counts(_report(send(stock, table))) == (0, 0, 2, 0)
    assert stock.get("/v1/items/changes").json == before
    changed = table.replace("2500.50", "2600").replace("B,Ostvik", "C,Ostvik")
    assert _counts(_report(send(stock, changed))) == (1, 1, 0, 0)
    assert stock.get("/v1/items/A").json["asking"]["amount"] == "2600.00"


def test_lines_of_json_are_items_with_their_number(stock: Caller) -> None:
    put(stock, "A")
    lines = [{**ITEM, "stock_number": "A"}, {**ITEM, "stock_number": "B", "extra": {"n": 1}}]
    report = _report(send(stock, "\n".join(map(json.dumps, lines)), NDJSON))
    assert _counts(report) == (1, 0, 1, 0)
    assert stock.get("/v1/items/B").json["extra"] == {"n": 1}


def test_every_wrong_row_is_told_with_line_and_field_and_the_others_are_kept(stock: Caller) -> None:
    rows = [
        GOOD,
        "B,Nobody,Dal,,,,,,,,,",
        ",Ostvik,Dal,,,,,,,,,",
        "C,Ostvik,Dal,9,x,EUR,5,,,moon,,",
        GOOD,
        "D,Ostvik,Dal",
        "E,Ostvik,Dal,,,,,,,,,",
    ]
    table = "\n".join([HEAD, *rows])
    report = _report(send(stock, table))
    assert _counts(report) == (2, 0, 0, 5) and names(stock) == ["A", "E"]
    assert [(one["line"], one["id"], one["field"]) for one in report["faults"]] == [
        (3, "B", "maker"),
        (4, "", "stock_number"),
        (5, "C", "condition_neck"),
        (5, "C", "cost"),
        (5, "C", "asking_currency"),
        (5, "C", "channel"),
        (6, "A", "stock_number"),
        (7, "D", "row"),
    ]
    assert report["faults"][6]["problem"] == "stands already on line 2"


def test_wrong_lines_have_a_pointer(stock: Caller) -> None:
    wrong = {**ITEM, "stock_number": "A", "asking": {"amount": "x", "currency": "EUR"}, "colour": "red"}
    lines = [json.dumps(wrong), "[]", '{"a"', json.dumps({**ITEM, "stock_number": "B"})]
    report = _report(send(stock, "\n".join(lines), NDJSON))
    assert [(one["line"], one["pointer"]) for one in report["faults"]] == [
        (1, "#/colour"),
        (1, "#/asking/amount"),
        (2, None),
        (3, None),
    ]
    assert names(stock) == ["B"]


def test_with_strict_a_wrong_row_keeps_all_out(stock: Caller) -> None:
    table = f"{HEAD}\n{GOOD}\nB,Nobody,Dal,,,,,,,,,\n"
    problem = assert_problem(send(stock, table, query="?strict=true"), 422, "rows")
    assert _counts(problem["item_report"]) == (0, 0, 0, 1) or problem["item_report"]["refused"] == 1
    assert names(stock) == []
    assert _counts(_report(send(stock, table.replace("Nobody", "Ostvik"), query="?strict=true"))) == (
        2,
        0,
        0,
        0,
    )


def test_an_idempotency_key_gives_the_first_answer_again(stock: Caller) -> None:
    name = {"Idempotency-Key": "import 1"}
    first = send(stock, f"{HEAD}\n{GOOD}\n", **name)
    again = send(stock, f"{HEAD}\n{GOOD}\n", **name)
    assert _counts(_report(first)) == (1, 0, 0, 0) and again.json == first.json
    assert_problem(send(stock, f"{HEAD}\n", **name), 422, "other-body")


def test_files_that_are_none(stock: Caller) -> None:
    assert_problem(send(stock, "maker,model\nOstvik,Dal\n"), 400, "table")
    assert_problem(send(stock, f"{HEAD},shelf\n"), 400, "table")
    assert_problem(send(stock, "{}", "application/json"), 415, "content-type")
    bad = "\n".join(f"{number},Nobody,Dal,,,,,,,,," for number in range(300))
    assert_problem(send(stock, f"{HEAD}\n{GOOD}\n{bad}\n"), 422, "rows")
    assert names(stock) == []


def test_a_file_has_a_largest_number_of_rows(stock: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    assert MOST_ITEM_LINES >= 20_000
    monkeypatch.setattr("service.api.items.files.MOST_ITEM_LINES", 1)
    assert_problem(send(stock, f"{HEAD}\n{GOOD}\nB{GOOD[1:]}\n"), 413, "too-many-rows")
    assert names(stock) == []


def test_more_rows_than_one_step_writes(stock: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.api.items.files.ITEMS_AT_ONCE", 2)
    rows = [f"{number}{GOOD[1:]}" for number in range(5)]
    assert _counts(_report(send(stock, "\n".join([HEAD, *rows])))) == (5, 0, 0, 0)
    assert names(stock) == [str(number) for number in range(5)]
