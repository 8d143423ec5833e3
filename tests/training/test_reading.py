"""Evidence files as people make them: good rows read, bad ones refused by line, column and reason."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from evidence_files import CATALOGUE, COLUMNS, GOOD, RATES, Read, csv_text, row

from models.domain.evidence import Evidence
from models.domain.instrument import Instrument
from models.errors import TableError
from training.reading import RefusedRowsError, read_evidence


def test_a_good_row_is_read_as_written(read: Read) -> None:
    (evidence,) = read(csv_text([GOOD])).rows
    assert evidence == Evidence(
        "A1",
        "sale",
        date(2021, 5, 6),
        Decimal("1200.50"),
        "USD",
        "dealer",
        "a note",
        Instrument("Tidewright", "Low Water", year=1965, condition_neck=2.0),
    )


def test_names_match_without_case_accents_and_spaces_and_come_out_as_the_catalogue_has_them(
    read: Read,
) -> None:
    (evidence,) = read(
        csv_text(
            [row(maker="  TIDEWRIGHT ", model="sœur   oceane", finish="grey GULL")], (*COLUMNS, "finish")
        )
    ).rows
    assert (evidence.instrument.maker, evidence.instrument.model) == ("Tidewright", "Sœur Océane")
    assert evidence.instrument.finish == "Grey Gull"


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("id", " ", "is required"),
        ("kind", "rumour", "sale, asking, offer"),
        ("kind", "", "is required"),
        ("date", "06/05/2021", "YYYY-MM-DD"),
        ("date", "20210506", "YYYY-MM-DD"),
        ("date", "2021-05-06T10:00", "YYYY-MM-DD"),
        ("date", "2021-02-30", "not a day of the calendar"),
        ("date", "2024-07-01", "in the future"),
        ("date", "", "is required"),
        ("price", "1,200", "digits and a decimal point only"),
        ("price", "$1200", "with the currency in its own column"),
        ("price", "1200 USD", "with the currency in its own column"),
        ("price", "-5", "is not above 0"),
        ("price", "0.00", "is not above 0"),
        ("price", "nan", "is not a number"),
        ("price", "inf", "is not a number"),
        ("price", "1e99", "absurd"),
        ("price", "", "is required"),
        ("currency", "EURO", "did you mean EUR"),
        ("currency", "€", "USD, EUR, SEK"),
        ("currency", "", "is required"),
        ("channel", "dealler", "did you mean dealer"),
        ("maker", "Tidewrite", "did you mean Tidewright"),
        ("maker", "", "is required"),
        ("model", "Lo Water", "did you mean Low Water"),
        ("year", "3019", "1800 to 2100"),
        ("year", "1965.5", "not a whole number"),
        ("condition_neck", "7", "0 to 5"),
        ("condition_neck", "good", "not a number"),
    ],
)
def test_a_bad_cell_refuses_its_row_alone(read: Read, column: str, cell: str, says: str) -> None:
    reading = read(csv_text([row(id="first"), row(**{column: cell}), row(id="last")]))
    assert [r.id for r in reading.rows] == ["first", "last"]
    (refusal,) = reading.refused
    (fault,) = refusal.faults
    assert (refusal.line, fault.field) == (3, column)
    assert str(fault.value).strip() == cell.strip()
    assert says in str(fault)


def test_every_fault_of_a_row_is_reported(read: Read) -> None:
    reading = read(csv_text([row(price="-1", year="12", channel="fair")]))
    assert sorted(f.field for f in reading.refused[0].faults) == ["channel", "price", "year"]
    assert str(reading.refused[0]).startswith("line 2 (id A1): ")


def test_a_currency_without_a_rate_that_day_names_the_nearest_day(read: Read) -> None:
    reading = read(
        csv_text([row(currency="SEK", date="2020-01-01"), row(id="B", currency="SEK", date="2020-01-05")])
    )
    assert [r.currency for r in reading.rows] == ["SEK"]
    assert "2020-01-01" in str(reading.refused[0].faults[0].next_step)


def test_a_second_row_with_an_id_is_left_out_even_if_the_first_was_bad(read: Read) -> None:
    reading = read(csv_text([row(), row(price="7"), row(id="B", price="x"), row(id="B")]))
    assert [str(r.price) for r in reading.rows] == ["1200.50"]
    assert [(r.line, r.faults[0].field) for r in reading.refused] == [(3, "id"), (4, "price"), (5, "id")]
    assert "line 2" in str(reading.refused[0])


def test_strict_makes_any_bad_row_an_error_that_names_the_first(read: Read) -> None:
    text = csv_text([row(), row(id="B", price="x"), row(id="C", year="x")])
    with pytest.raises(RefusedRowsError, match=r"line 3 \(id B\): price: 'x' .*and 1 more bad row") as caught:
        read(text, strict=True)
    assert [r.line for r in caught.value.refused] == [3, 4]
    assert len(read(csv_text([row()]), strict=True).rows) == 1


def test_order_of_columns_bom_crlf_and_unknown_columns_change_nothing(read: Read) -> None:
    rows = [row(), row(id="B", year=""), row(id="C", condition_neck="9")]
    plain = read(csv_text(rows))
    columns = [*reversed(COLUMNS), "shelf", "condition.neck"]
    odd = read(b"\xef\xbb\xbf" + csv_text([{**r, "shelf": "3"} for r in rows], columns, "\r\n").encode())
    assert odd.rows == plain.rows
    assert [(r.line, r.faults) for r in odd.refused] == [(r.line, r.faults) for r in plain.refused]
    assert odd.ignored_columns == ("shelf", "condition.neck")


def test_source_may_be_missing_and_headers_may_be_spelled_in_capitals(read: Read) -> None:
    columns = [c for c in COLUMNS if c != "source"]
    text = csv_text([row()], columns).replace("condition_neck", " Condition_Neck ")
    assert read(text).rows[0].instrument.condition_neck == 2
    assert read(text).rows[0].source == ""


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("\n\n", "is empty"),
        (csv_text([GOOD]).replace("price,", "cost,"), "lacks price"),
        (csv_text([GOOD]).replace("price,", "prices,"), "is 'prices' meant to be price"),
        (csv_text([GOOD]).replace(",", ";"), "semicolons"),
        (csv_text([GOOD]).replace(",", "\t"), "tabs"),
        (csv_text([GOOD]).replace("year,", "price,"), "names price more than once"),
        (csv_text([GOOD]).encode("utf-16"), "UTF-8"),
        ('id,"kind\n', "quote"),
    ],
)
def test_a_file_that_cannot_be_read_says_what_to_change(read: Read, text: str | bytes, says: str) -> None:
    with pytest.raises(TableError, match=r"evidence\.csv: ") as caught:
        read(text)
    assert says in str(caught.value)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"absent\.csv"):
        read_evidence(tmp_path / "absent.csv", CATALOGUE, RATES)
    with pytest.raises(TableError, match=str(tmp_path)):
        read_evidence(tmp_path, CATALOGUE, RATES)


def test_a_row_in_another_encoding_is_refused_alone(read: Read) -> None:
    data = csv_text([row(), row(id="B", source="caf€"), row(id="C")]).encode().replace("€".encode(), b"\xe9")
    reading = read(data)
    assert [r.id for r in reading.rows] == ["A1", "C"]
    assert (reading.refused[0].line, reading.refused[0].faults[0].field) == (3, "source")
    assert "UTF-8" in str(reading.refused[0])
    (refusal,) = read(data.replace(b"\nB,", b"\n\xe9,")).refused
    assert refusal.id == "\ufffd" and str(refusal).encode()


def test_a_newline_inside_quotes_belongs_to_its_cell_and_lines_are_counted_as_they_stand(read: Read) -> None:
    reading = read(csv_text([row(source='two\nlines, "quoted"'), row(id="B", price="x"), row(id="C")]))
    assert [r.source for r in reading.rows] == ['two lines, "quoted"', "a note"]
    assert [r.line for r in reading.refused] == [4]


@pytest.mark.parametrize("stray", ['"open', 'x,"open'])
def test_a_stray_quote_costs_its_own_row_only(read: Read, stray: str) -> None:
    rows = [row(id=f"R{n}") for n in range(100)]
    text = csv_text(rows).replace("R7,", stray + ",", 1)
    reading = read(text)
    assert [r.id for r in reading.rows] == [f"R{n}" for n in range(100) if n != 7]
    assert [r.line for r in reading.refused] == [9]


def test_two_stray_quotes_do_not_swallow_the_rows_between_them(read: Read) -> None:
    text = csv_text([row(id=f"R{n}") for n in range(20)])
    text = text.replace("R3,", '"R3,', 1).replace("R9,", 'R9",', 1)
    reading = read(text)
    # Together the two quotes make one valid, long cell; it must not be taken for one.
    assert [r.id.strip('"') for r in reading.rows] == [f"R{n}" for n in range(20) if n != 3]
    assert [r.line for r in reading.refused] == [5]


@pytest.mark.parametrize("change", [lambda line: line + ",x", lambda line: line.rsplit(",", 1)[0]])
def test_too_many_or_too_few_cells_are_refused(read: Read, change: Callable[[str], str]) -> None:
    header, *lines = csv_text([row(), row(id="B"), row(id="C")]).splitlines()
    lines[1] = change(lines[1])
    reading = read("\n".join([header, *lines]))
    assert [r.id for r in reading.rows] == ["A1", "C"]
    assert (reading.refused[0].line, reading.refused[0].id, reading.refused[0].faults[0].field) == (
        3,
        "B",
        "row",
    )


def test_blank_lines_rows_of_commas_and_trailing_commas_are_no_fault(read: Read) -> None:
    header, first, second = csv_text([row(), row(id="B")]).splitlines()
    text = "\n".join([header, "", first + ",,", "," * 10, "   ", second, "", ""])
    reading = read(text)
    assert [r.id for r in reading.rows] == ["A1", "B"] and not reading.refused
