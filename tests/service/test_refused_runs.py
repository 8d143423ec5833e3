"""A file is not read on where rows are refused one after the other, and the answer says from which line."""

from __future__ import annotations

import csv
import json

import pytest
from asking import Caller, assert_problem
from stock import CSV, NDJSON, by_ndjson, post

from models.costs import (
    MOST_FAULTS,
    MOST_LINES,
    MOST_REFUSED,
    MOST_REFUSED_BYTES,
    MOST_REFUSED_LINES,
    MOST_REFUSED_SAID,
)

GOOD = '{"id": "A", "instrument": {"maker": "Ostvik", "model": "Dal"}}\n'
BAD = '{"id": "B", "instrument": {"maker": "Ostvik", "model": "Dale"}}\n'
STOPPED = "is not read, nor is any line after it"


def record(name: str, kind: str = "sale") -> str:
    own = {"id": name, "kind": kind, "date": "2025-01-02", "price": "900", "currency": "USD"}
    return json.dumps({**own, "channel": "dealer", "instrument": {"maker": "Ostvik", "model": "Dal"}}) + "\n"


def test_a_list_is_read_on_while_good_rows_come(caller: Caller) -> None:
    run = BAD * (MOST_REFUSED - 1)
    found = by_ndjson(caller, run + GOOD + run + GOOD)
    assert len(found) == 2 * MOST_REFUSED and "value" in found[-1]


def test_a_list_of_json_is_not_read_on(caller: Caller) -> None:
    found = by_ndjson(caller, GOOD + BAD * (MOST_REFUSED + 100) + GOOD)
    assert len(found) == 1 + MOST_REFUSED + 1
    assert found[-1]["line"] == MOST_REFUSED + 2 and found[-1]["id"] is None
    assert STOPPED in found[-1]["errors"][0]["problem"]
    hinted = [row for row in found if row.get("errors") and row["errors"][0]["suggestions"]]
    assert len(hinted) == MOST_FAULTS  # those after the first fifty have none
    assert all(row["errors"][0]["problem"] == "is not in the catalogue" for row in found[1:-1])


def test_a_table_is_not_read_on(caller: Caller) -> None:
    table = "id,maker,model\nA,Ostvik,Dal\n" + "B,Ostvik,Dale\n" * (MOST_REFUSED + 100)
    found = list(csv.DictReader(post(caller, table, CSV).text.splitlines()))
    assert len(found) == 1 + MOST_REFUSED + 1
    assert found[-1]["id"] == "" and f"line {MOST_REFUSED + 3}: " in found[-1]["error"]
    assert STOPPED in found[-1]["error"]


@pytest.mark.parametrize(
    "lines",
    [
        "\n" * (MOST_REFUSED_LINES + 1),
        (json.dumps({"x": "y" * 30_000}) + "\n") * (MOST_REFUSED_BYTES // 30_000 + 1),
    ],
    ids=["blank", "long"],
)
def test_nor_is_what_holds_too_many_lines_or_bytes_without_a_good_row(caller: Caller, lines: str) -> None:
    assert "value" in by_ndjson(caller, lines[: len(lines) // 2] + "\n" + GOOD)[-1]
    found = by_ndjson(caller, lines + GOOD)
    assert STOPPED in found[-1]["errors"][0]["problem"]
    assert not any("value" in row for row in found)


def test_nor_is_what_would_be_answered_with_too_much(caller: Caller) -> None:
    row = json.dumps({"id": "B", "instrument": {f"k{n}": 1 for n in range(90)}}) + "\n"
    answer = post(caller, row * 100, NDJSON).data
    assert MOST_REFUSED_SAID < len(answer) < MOST_REFUSED_SAID + 20_000
    rows = [json.loads(line) for line in answer.splitlines()]
    assert STOPPED in rows[-1]["errors"][0]["problem"] and rows[-1]["line"] == len(rows)
    assert len(rows[0]["errors"]) == MOST_FAULTS + 1
    assert rows[0]["errors"][-1]["problem"] == "has 42 more faults"  # 90 names, and no maker and model


def test_a_file_of_evidence_is_not_read_on_and_nothing_is_kept(dealer: Caller) -> None:
    bad = "".join(record(f"B{n}", "gift") for n in range(MOST_REFUSED + 100))
    sent = dealer.post("/v1/evidence", record("A") + bad, **{"Content-Type": NDJSON})
    problem = assert_problem(sent, 422, "rows")
    assert "the rest of the file was not read" in problem["detail"]
    assert problem["report"]["rows"] == MOST_REFUSED + 1 and len(problem["report"]["faults"]) == MOST_FAULTS
    assert dealer.get("/v1/evidence").json["evidence"] == []
    mixed = "".join(record(f"C{n}", "gift" if n % 10 else "sale") for n in range(600))
    taken = dealer.post("/v1/evidence", mixed, **{"Content-Type": NDJSON})
    assert taken.status_code == 200 and taken.json["accepted"] == 60


@pytest.mark.parametrize(
    ("form", "head"), [(NDJSON, ""), (CSV, "id,kind,date,price,currency,channel,maker,model\n")]
)
def test_lines_of_evidence_are_counted_before_they_are_read(dealer: Caller, form: str, head: str) -> None:
    sent = dealer.post("/v1/evidence", head + "x\n" * (MOST_LINES + 1), **{"Content-Type": form})
    assert_problem(sent, 413, "too-many-rows")
