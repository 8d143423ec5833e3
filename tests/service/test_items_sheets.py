"""The stock as CSV and as a workbook: downloaded, edited and sent back."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from asking import Caller, assert_problem
from item_bodies import DAL, ITEM, XLSX, all_items, put, send
from item_bodies import stock as stock  # a fixture
from openpyxl import Workbook, load_workbook

CSV = "text/csv"
Rows = list[dict[str, Any]]
ODD = {
    **{
        "=name": "=1+1",
        "shelf": "+49 30",
        "at": "@home",
        "minus": "-2",
        "quoted": "'=1",
        "lines": 'a\nb, "c"',
    },
    **{
        "n": 12,
        "half": 2.5,
        "yes": True,
        "none": None,
        "empty": "",
        "text of a number": "007",
        "big": 2**53 - 1,
    },
    **{"value": "his", "extra: x": 1, "third": 1 / 3, "escaped": "_x0041_", "é": "Ωß"},
}


@pytest.fixture
def filled(stock: Caller) -> Caller:
    put(stock, "plain")
    put(stock, "-12", extra=ODD, asking={"amount": "250000", "currency": "JPY"})
    put(stock, "bare", **dict.fromkeys(("cost", "asking", "bought", "extra")))
    it = {
        "maker": "Ostvik",
        "model": "Fjell 2",
        "edition": "Solverv",
        "serial": "=12",
        "figure": 2.5,
        "year": 1964,
    }
    assert (
        put(stock, "rare", instrument={**it, "finish": "=cmd", "provenance": {"paperwork": True}}).status_code
        == 201
    )
    return stock


def _read_csv(data: bytes) -> Rows:
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


def _write_csv(rows: Rows) -> bytes:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def _read_xlsx(data: bytes) -> Rows:
    header, *rows = load_workbook(io.BytesIO(data)).active.iter_rows(values_only=True)
    return [dict(zip(header, row, strict=True)) for row in rows]


def _write_xlsx(rows: Rows) -> bytes:
    book, out = Workbook(), io.BytesIO()
    for row in [list(rows[0]), *(list(row.values()) for row in rows)]:
        book.active.append(row)
    for cell in (cell for line in book.active.iter_rows() for cell in line):
        if isinstance(cell.value, str):
            cell.data_type = "s"
    book.save(out)
    return out.getvalue()


FORMS = {
    CSV: ("/v1/items.csv", _read_csv, _write_csv),
    XLSX: ("/v1/items.xlsx", _read_xlsx, _write_xlsx),
}
each_form = pytest.mark.parametrize("form", FORMS)


def _counts(found: Any) -> tuple[int, ...]:
    assert found.status_code == 200, found.text
    return tuple(found.json[name] for name in ("created", "changed", "unchanged", "refused"))


@each_form
def test_a_sheet_that_is_sent_back_as_it_came_changes_nothing(filled: Caller, form: str) -> None:
    path, read, write = FORMS[form]
    before, sheet = all_items(filled), filled.get(path)
    assert (
        sheet.headers["Content-Type"].startswith(form)
        and "attachment" in sheet.headers["Content-Disposition"]
    )
    assert _counts(send(filled, sheet.data, form)) == (0, 0, 4, 0)
    assert _counts(send(filled, write(read(sheet.data)), form)) == (0, 0, 4, 0)
    assert all_items(filled) == before


@each_form
def test_an_apostrophe_of_the_dealers_own_is_not_taken_off(stock: Caller, form: str) -> None:
    """Else a sheet that comes back would make another item, under the number that a spreadsheet runs."""
    it = {"maker": "Ostvik", "model": "Dal", "serial": "'-B", "finish": "''=x"}
    assert put(stock, "'=1", instrument=it, extra={"'=own": "'@x"}).status_code == 201
    before, sheet = all_items(stock), stock.get(FORMS[form][0])
    assert _counts(send(stock, sheet.data, form)) == (0, 0, 1, 0)
    assert all_items(stock) == before


@each_form
def test_one_price_changed_in_a_sheet_changes_one_item(filled: Caller, form: str) -> None:
    path, read, write = FORMS[form]
    before, rows = all_items(filled), read(filled.get(path).data)
    (row,) = (row for row in rows if row["stock_number"] == "rare")
    row["asking"] = "2650.00" if form == CSV else 2650
    assert _counts(send(filled, write(rows), form)) == (0, 1, 3, 0)
    after = all_items(filled)
    assert {name for name in after if after[name] != before[name]} == {"rare"}
    assert after["rare"]["asking"] == {"amount": "2650.00", "currency": "EUR"}
    same = ("instrument", "cost", "bought", "channel", "status", "extra", "value")
    assert {name: after["rare"][name] for name in same} == {name: before["rare"][name] for name in same}


@each_form
def test_a_sheet_shows_value_range_reasons_claims_and_the_columns_of_the_caller(
    filled: Caller, form: str
) -> None:
    path, read, _ = FORMS[form]
    rows = {
        str(row["stock_number"]).lstrip("'"): row for row in read(filled.get(f"{path}?channel=dealer").data)
    }
    item, row = filled.get("/v1/items/rare").json, rows["rare"]
    assert float(row["value"]) == float(item["value"]["amount"]) and row["value_currency"] == "EUR"
    (eighty,) = (one for one in item["intervals"] if one["level"] == 0.8)
    assert [float(row[name]) for name in ("low_80", "high_80")] == [
        float(eighty[end]) for end in ("low", "high")
    ]
    reasons = [float(cell) for name, cell in row.items() if name.startswith("reason_")]
    assert len(reasons) == 6
    assert float(row["reference_value"]) + sum(reasons) == pytest.approx(float(row["value"]))
    claim = item["detail"]["claims"][0]
    assert row["claims"].startswith(f"{claim['label']}: {claim['amount']}")
    assert row["cautions"].split(";") == list(
        dict.fromkeys(one["code"] for one in item["detail"]["cautions"])
    )
    assert row["boxes"] == ("2" if form == CSV else 2) and set(row) >= {"=name" if form == XLSX else "'=name"}


def test_no_cell_of_either_form_is_a_formula(filled: Caller) -> None:
    for line in csv.reader(io.StringIO(filled.get("/v1/items.csv").data.decode(), newline="")):
        assert not [cell for cell in line if cell[:1] in "=+@\t\r" and cell]
    book = load_workbook(io.BytesIO(filled.get("/v1/items.xlsx").data))
    kinds = {cell.data_type for row in book.active.iter_rows() for cell in row}
    assert "f" not in kinds and "s" in kinds and "n" in kinds
    found = {cell.value: cell.data_type for row in book.active.iter_rows() for cell in row if cell.value}
    assert found["=1+1"] == found["=cmd"] == found["=12"] == found["-12"] == "s"


def test_the_sheet_of_an_empty_stock_is_its_header(stock: Caller) -> None:
    assert len(stock.get("/v1/items.csv").data.decode().splitlines()) == 1
    assert _read_xlsx(stock.get("/v1/items.xlsx").data) == []


def test_numbers_and_days_of_a_workbook_are_read_as_they_are_meant(stock: Caller) -> None:
    row = {
        "stock_number": 17,
        "maker": "Ostvik",
        "model": "Dal",
        "year": 1965.0,
        "asking": 1234.1,
        "asking_currency": "usd",
    }
    row |= {
        "bought": datetime(2025, 6, 1),
        "provenance_paperwork": True,
        "shelf": 4,
        "checked": datetime(2025, 1, 2, 3),
    }
    assert _counts(send(stock, _write_xlsx([row]), XLSX)) == (1, 0, 0, 0)
    item = stock.get("/v1/items/17").json
    assert item["instrument"]["year"] == 1965 and item["asking"] == {"amount": "1234.10", "currency": "USD"}
    assert item["bought"] == "2025-06-01" and item["instrument"]["provenance"] == {"paperwork": True}
    assert item["extra"] == {"shelf": 4, "checked": "2025-01-02T03:00:00"}


def _formula(book: Workbook) -> None:
    book.active.append(["F", "Ostvik", "Dal", "=1+1"])


def _error(book: Workbook) -> None:
    book.active.append(["F", "Ostvik", "Dal", None])
    book.active["D3"].value, book.active["D3"].data_type = "#REF!", "e"


def _beside(book: Workbook) -> None:
    book.active.append(["F", "Ostvik", "Dal", None, None, "?"])


@pytest.mark.parametrize(
    ("spoil", "field", "problem"),
    [
        (_formula, "cost", "is a formula"),
        (_error, "cost", "is an error of the spreadsheet"),
        (_beside, "row", "has a cell in a column without a name"),
    ],
)
def test_cells_that_are_no_values_are_refused_with_their_row(
    stock: Caller, spoil: Callable[[Workbook], None], field: str, problem: str
) -> None:
    book, out = Workbook(), io.BytesIO()
    book.active.append(["stock_number", "Maker", "model", "cost", "cost_currency"])
    book.active.append(["A", "Ostvik", "Dal", 12, "USD"])
    spoil(book)
    book.save(out)
    found = send(stock, out.getvalue(), XLSX)
    assert _counts(found) == (1, 0, 0, 1)
    (fault,) = found.json["faults"]
    assert (fault["line"], fault["field"], fault["problem"]) == (3, field, problem)


def test_formulas_in_columns_that_are_not_read_do_no_harm(stock: Caller) -> None:
    book, out = Workbook(), io.BytesIO()
    book.active.append(["stock_number", "maker", "model", "value"])
    book.active.append(["A", "Ostvik", "Dal", "=cmd|' /C calc'!A0"])
    book.save(out)
    assert _counts(send(stock, out.getvalue(), XLSX)) == (1, 0, 0, 0)
    assert stock.get("/v1/items/A").json["instrument"] == {"maker": "Ostvik", "model": "Dal"}


def test_a_header_that_cannot_be_used(stock: Caller) -> None:
    for row in ({"stock_number": "A", "maker": "Ostvik"}, {}):
        book = _write_xlsx([row] if row else [{"": None}])
        assert_problem(send(stock, book, XLSX), 400, "table")
    assert ITEM and DAL
