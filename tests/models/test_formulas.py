"""A text of the caller comes back in CSV as a text, never as a formula of a spreadsheet program."""

from __future__ import annotations

import csv
import io
from datetime import date

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel

from models.tables.formulas import plain_cell, unplain_cell
from models.tables.stocklist import Terms, value_stocklist
from models.valuation.valuer import Valuer

FORMULAS = (
    '=HYPERLINK("http://example.org","see")',
    "=1+1",
    "+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1+1",
    "-",
    "=",
    "+1 555 0100",
    "-٣",
)


@pytest.mark.parametrize("text", FORMULAS)
def test_a_formula_becomes_a_text(text: str) -> None:
    assert plain_cell(text) == "'" + text


@pytest.mark.parametrize(
    "text", ["", "A1", "A=1", "-5", "+5", "-5.25", "+.5", "-1e-3", "12-B", "'", "'-5", "'A", "Zoë", "a\t=1"]
)
def test_numbers_and_other_texts_stay_as_they_are(text: str) -> None:
    assert plain_cell(text) == text


@pytest.mark.parametrize(
    "text", [*FORMULAS, "'=1", "''=1", "'-", "'+1 555", "'", "''", "'A", "'-5", "-5", ""]
)
def test_what_is_taken_back_is_what_was_written(text: str) -> None:
    assert unplain_cell(plain_cell(text)) == text
    assert not plain_cell(text).startswith(("=", "+", "@", "\t", "\r"))


def test_ids_of_a_stock_list_come_back_as_texts() -> None:
    ids = [text for text in FORMULAS if text[0] not in "\t\r"]
    rows = [[id_, "Ostvik", model] for id_ in ids for model in ("Dal", "No Such")]
    source = io.StringIO()
    csv.writer(source).writerows([["id", "maker", "model"], *rows, ["-7", "Ostvik", "Dal"]])
    out = io.StringIO()
    valuer = Valuer(FakePriceModel(), CATALOGUE, RATES, "v")
    lines = source.getvalue().encode().splitlines(keepends=True)
    value_stocklist(lines, out, valuer, Terms(date(2026, 1, 2)))
    found = list(csv.DictReader(io.StringIO(out.getvalue())))
    assert [row["id"] for row in found] == [f"'{id_}" for id_, _, _ in rows] + ["-7"]
    for row in found:  # of the other cells only numbers begin with such a sign
        for name, cell in row.items():
            assert name == "id" or not cell.startswith(("=", "+", "@")), row
            assert name == "id" or not cell.startswith("-") or float(cell) <= 0, row
