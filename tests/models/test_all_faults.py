"""One answer names every fault of a row: a wrong field hides neither another nor an unknown name."""

from __future__ import annotations

import io
from datetime import date

import orjson
import pytest
from fakes import CATALOGUE
from market_of_fakes import valuer

from models.domain.instrument import read_flat, read_nested
from models.errors import InputError
from models.tables.stocklist import Terms, value_stocklist

LIST = b"id,maker,model,year,condition_neck,currency\nA,Ostwik,Dal,68x,9,ZZZ\nB,Ostvik,Dhal,1968x,,\n"


def test_a_row_of_a_stock_list_says_all_that_is_wrong_with_it() -> None:
    out = io.StringIO()
    counts = value_stocklist(LIST.splitlines(keepends=True), out, valuer(), Terms(date(2026, 1, 2)))
    assert counts.failed == 2
    first, second = out.getvalue().splitlines()[1:]
    for name in ("year", "condition_neck", "maker", "currency"):
        assert f"{name}: " in first
    assert "did you mean Ostvik?" in first
    assert "year: '1968x' is not a number" in second and "did you mean Dal" in second


def test_json_and_csv_name_the_same_faults() -> None:
    flat = {"maker": " ostwik ", "model": "Dal", "year": "x"}
    found = []
    for reader, given in ((read_nested, orjson.loads(orjson.dumps(flat))), (read_flat, flat)):
        with pytest.raises(InputError) as error:
            CATALOGUE.read(reader, given)
        found.append([fault.field for fault in error.value.faults])
    assert found == [["year", "maker"], ["year", "maker"]]


def test_a_name_that_is_missing_is_one_fault() -> None:
    with pytest.raises(InputError) as error:
        CATALOGUE.read(read_nested, {"maker": "", "model": "Dal", "year": "x"})
    assert [fault.field for fault in error.value.faults] == ["maker", "year"]
