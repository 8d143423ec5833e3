"""A stock list in, its values out: the published columns, every row in its place, figures that add up."""

from __future__ import annotations

import csv
import gc
import io
import math
import tracemalloc
from collections.abc import Iterable, Iterator
from datetime import date
from decimal import Decimal

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel

from models.domain.instrument import Instrument, Subject
from models.errors import BookmatchError, TableError
from models.tables import stocklist
from models.tables.stocklist import Terms, level_name, value_columns, value_rows, value_stocklist
from models.tables.table import TableRow
from models.valuation.valuer import Valuer

VALUER = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1")
TODAY = date(2026, 2, 3)
LEVELS = (0.5, 0.8)


def valued(
    text: str | bytes, levels: Iterable[float] = LEVELS, valuer: Valuer = VALUER
) -> list[dict[str, str]]:
    data = text.encode() if isinstance(text, str) else text
    out = io.StringIO()
    value_stocklist(io.BytesIO(data), out, valuer, Terms(TODAY, levels=tuple(levels)))
    return list(csv.DictReader(io.StringIO(out.getvalue())))


def test_the_columns_are_the_contracts() -> None:
    assert value_columns((0.5, 0.8)) == (
        "id",
        "value",
        "low_50",
        "high_50",
        "low_80",
        "high_80",
        "currency",
        "rate_day",
        "date",
        "channel",
        "reference_value",
        "effect_condition",
        "effect_rarity",
        "effect_originality",
        "effect_provenance",
        "effect_identity",
        "effect_market",
        "evidence",
        "cautions",
        "error",
    )
    assert [level_name(x) for x in (0.29, 0.8, 0.95, 0.975, 0.07)] == ["29", "80", "95", "97.5", "7"]


def test_a_row_gets_the_figures_that_the_valuer_gives() -> None:
    (row,) = valued("id,maker,model,condition_neck,date,channel\nA1,ostvik,fjell 2,4,2025-06-01,dealer\n")
    it = Instrument("Ostvik", "Fjell 2", condition_neck=4.0)
    found = VALUER.value(Subject(it, date(2025, 6, 1), "dealer"), levels=LEVELS)
    assert (row["id"], row["value"], row["reference_value"]) == (
        "A1",
        str(found.value),
        str(found.reference_value),
    )
    assert [row["low_50"], row["high_80"]] == [str(found.intervals[0].low), str(found.intervals[1].high)]
    assert row["evidence"] == "few" and row["error"] == ""
    codes = row["cautions"].split(";")
    assert set(codes) == {c.code for c in found.cautions} and len(codes) == len(set(codes))


def test_day_and_channel_have_their_defaults() -> None:
    rows = valued(
        f"id,maker,model,date,channel\nA,Ostvik,Dal,,\nB,Ostvik,Dal,{TODAY},private\nC,Ostvik,Dal,,Dealer\n"
    )
    assert rows[0] | {"id": ""} == rows[1] | {"id": ""}
    assert rows[2]["value"] != rows[0]["value"]


def test_the_printed_figures_give_the_value_back_to_the_cent() -> None:
    cells = [f"{n},Ostvik,Fjell 2,{n % 6},{n % 5},{n % 4}\n" for n in range(200)]
    header = "id,maker,model,condition_neck,condition_top,figure\n"
    for base in (1.0, 4.0, 8.0, 15.0):
        for row in valued(
            header + "".join(cells), valuer=Valuer(FakePriceModel(base), CATALOGUE, RATES, "v")
        ):
            effects = [float(text) for name, text in row.items() if name.startswith("effect_")]
            back = float(row["reference_value"]) * math.exp(math.fsum(effects))
            assert f"{back:.2f}" == row["value"], row


def test_a_bad_row_says_why_and_leaves_its_figures_empty_and_the_others_are_valued() -> None:
    rows = valued(
        "maker,model,id,year\n"
        "Ostvik,Dal,a,1965\n"
        "Ostvik,Dahl,b,1965\n"
        "Nobody,Dal,c,1965\n"
        "Ostvik,Dal,d,3019\n"
        "Ostvik,Dal,,1965\n"
        "Ostvik,Dal,f\n"
        ",Dal,g,1965\n"
        "Ostvik,Dal,h,1966\n"
    )
    assert [row["id"] for row in rows] == ["a", "b", "c", "d", "", "f", "g", "h"]
    assert [bool(row["value"]) for row in rows] == [True, *[False] * 6, True]
    for row, named in zip(rows[1:7], ("Dal", "maker", "year", "id", "cells", "maker"), strict=True):
        assert named in row["error"] and "\n" not in row["error"]
        assert all(not text for name, text in row.items() if name not in ("id", "error"))


@pytest.mark.parametrize(
    ("column", "cell", "named"),
    [
        ("date", "03/04/2025", "YYYY-MM-DD"),
        ("date", "2025-02-30", "calendar"),
        ("date", "2199-01-01", "2100"),
        ("channel", "auctoin", "auction"),
        ("condition_neck", "7", "from 0 to 5"),
        ("originality_nut", "bone", "original, period"),
    ],
)
def test_each_fault_names_its_column_and_what_is_allowed(column: str, cell: str, named: str) -> None:
    (row,) = valued(f"id,maker,model,{column}\nA,Ostvik,Dal,{cell}\n")
    assert column in row["error"] and named in row["error"] and not row["value"]


def test_all_faults_of_a_row_are_said_at_once() -> None:
    (row,) = valued("id,maker,model,date,channel,year\n,Ostvik,Dal,soon,moon,old\n")
    assert all(name in row["error"] for name in ("id", "date", "channel", "year"))


def test_other_columns_are_ignored_and_named_once() -> None:
    notes: list[str] = []
    data = b"price,id,maker,shelf,model\n1,A,Ostvik,9,Dal\n2,B,Ostvik,9,Dal\n"
    value_stocklist(io.BytesIO(data), io.StringIO(), VALUER, Terms(TODAY, levels=LEVELS), notes.append)
    assert notes == ["ignored columns: price, shelf"]


def test_a_bom_crlf_and_another_order_of_columns_change_nothing() -> None:
    plain = valued("id,maker,model,year\nÅ1,Ostvik,Dal,1965\nB2,Ostvik,Dal,\n")
    other = "\ufeffYear,model,id,maker\r\n1965,Dal,Å1,Ostvik\r\n,Dal,B2,Ostvik\r\n"
    assert valued(other) == plain and plain[0]["id"] == "Å1"


@pytest.mark.parametrize(
    "header", ["maker,model\n", "id,model\n", "id;maker;model\n", "", "id,id,maker,model\n"]
)
def test_a_file_without_its_columns_cannot_be_read(header: str) -> None:
    with pytest.raises(TableError):
        valued(header + "a,b\n")


def test_no_rows_give_a_header_only() -> None:
    assert valued("id,maker,model\n") == []


def test_chunks_do_not_show(monkeypatch: pytest.MonkeyPatch) -> None:
    text = "id,maker,model,condition_neck\n" + "".join(f"{n},Ostvik,Dal,{n % 7}\n" for n in range(50))
    whole = valued(text)
    monkeypatch.setattr(stocklist, "ROWS_AT_ONCE", 7)
    assert valued(text) == whole and len(whole) == 50


def test_a_row_that_the_model_refuses_does_not_take_its_neighbours_with_it() -> None:
    class Picky(FakePriceModel):
        def assess(self, subjects, levels):  # type: ignore[no-untyped-def]
            if any(s.instrument.year == 1965 for s in subjects):
                raise BookmatchError("no value for 1965")
            return super().assess(subjects, levels)

    text = "id,maker,model,year\nA,Ostvik,Dal,1964\nB,Ostvik,Dal,1965\nC,Ostvik,Dal,1966\n"
    rows = valued(text, valuer=Valuer(Picky(), CATALOGUE, RATES, "v"))
    assert [row["error"] for row in rows] == ["", "line 3: no value for 1965", ""]
    assert [bool(row["value"]) for row in rows] == [True, False, True]


def test_one_row_that_the_model_refuses_costs_few_calls() -> None:
    calls: list[int] = []

    class Picky(FakePriceModel):
        def assess(self, subjects, levels):  # type: ignore[no-untyped-def]
            calls.append(len(subjects))
            if any(s.instrument.year == 1965 for s in subjects):
                raise BookmatchError("no value for 1965")
            return super().assess(subjects, levels)

    rows = "".join(f"{n},Ostvik,Dal,{1965 if n == 77 else 1964}\n" for n in range(256))
    found = valued("id,maker,model,year\n" + rows, valuer=Valuer(Picky(), CATALOGUE, RATES, "v"))
    assert [row["id"] for row in found if row["error"]] == ["77"] and len(calls) == 17


def test_a_row_that_names_no_day_or_market_is_valued_at_the_terms() -> None:
    row = TableRow(2, {"id": "A", "maker": "Ostvik", "model": "Dal"})
    terms = Terms(date(2026, 1, 2), "dealer", "EUR", LEVELS)
    (cells,) = value_rows([row], VALUER, terms)
    subject = Subject(Instrument("Ostvik", "Dal"), date(2026, 1, 2), "dealer")
    assert cells["value"] == str(VALUER.value(subject, "EUR").value)
    own = TableRow(2, {**row.cells, "channel": "private", "date": "2025-01-02"})
    (cells,) = value_rows([own], VALUER, terms)
    subject = Subject(Instrument("Ostvik", "Dal"), date(2025, 1, 2), "private")
    assert cells["value"] == str(VALUER.value(subject, "EUR").value)


def test_each_row_says_its_currency_its_rates_day_its_own_day_and_its_market() -> None:
    head = "id,maker,model,date,channel,currency\n"
    rows = valued(f"{head}A,Ostvik,Dal,2026-01-05,dealer,eur\nB,Ostvik,Dal,,,\n")
    said = [(row["currency"], row["rate_day"], row["date"], row["channel"]) for row in rows]
    assert said == [
        ("EUR", "2026-01-02", "2026-01-05", "dealer"),
        ("USD", TODAY.isoformat(), TODAY.isoformat(), "private"),
    ]
    # e^7.95 = 2835.57 at 1.1 dollars for a euro; e^8 = 2980.96.
    assert [row["value"] for row in rows] == ["2577.80", "2980.96"]


def test_a_rows_own_currency_wins_over_that_of_the_list() -> None:
    terms = Terms(date(2026, 1, 2), "private", "EUR", LEVELS)
    cells = {"id": "A", "maker": "Ostvik", "model": "Dal"}
    own, other, wrong = value_rows(
        [
            TableRow(2, {**cells, "currency": "JPY"}),
            TableRow(3, cells),
            TableRow(4, {**cells, "currency": "QQQ"}),
        ],
        VALUER,
        terms,
    )
    assert (own["currency"], own["value"]) == ("JPY", "458609")
    assert (other["currency"], other["value"]) == ("EUR", "2709.96")
    assert "currency" in wrong["error"] and "EUR" in wrong["error"]


def test_a_currency_that_had_no_rate_on_the_rows_day_is_said_in_its_row() -> None:
    (row,) = valued("id,maker,model,date,currency\nA,Ostvik,Dal,2019-05-01,EUR\n")
    assert "2019-05-01" in row["error"] and not row["value"]


def test_an_error_says_on_which_line_of_the_file_its_row_begins() -> None:
    rows = valued('id,maker,model\n\n"A\nB",Ostvik,Dal\nC,Nobody,Dal\n')
    assert [row["error"].split(": ")[0] for row in rows] == ["line 3", "line 5"]


def test_memory_does_not_grow_with_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stocklist, "ROWS_AT_ONCE", 20)

    class Nowhere(io.StringIO):
        def write(self, text: str) -> int:
            return len(text)

    def lines(count: int) -> Iterator[bytes]:
        yield b"id,maker,model\n"
        for n in range(count):
            yield b"%d,Ostvik,Dal\n" % n

    def peak(count: int) -> int:
        gc.collect()
        tracemalloc.start()
        value_stocklist(lines(count), Nowhere(), VALUER, Terms(TODAY, levels=LEVELS))
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    # Cyclic garbage waits for its collector: below some hundred rows the peak still rises towards that level.
    assert peak(4000) < 2 * peak(400)


def test_money_is_written_with_its_cents() -> None:
    (row,) = valued("id,maker,model\nA,Ostvik,Dal\n")
    assert Decimal(row["value"]).as_tuple().exponent == -2
