"""Tables as people write them; what the tests of reading evidence show is not repeated here."""

from __future__ import annotations

import io

import pytest

from models.errors import TableError
from models.tables.table import ignored_columns, read_table

KNOWN = ("id", "price", "note")


def test_only_known_columns_reach_the_cells_and_others_are_named_once() -> None:
    table = read_table([b"Shelf,price, ID ,,Shelf 2\n", b"3,7,A,,x\n"], KNOWN, ("id",))
    assert table.columns == ("price", "id") and table.ignored == ("Shelf", "Shelf 2")
    (row,) = table.rows
    assert (row.line, row.cells, row.fault) == (2, {"price": "7", "id": "A"}, None)


def test_rows_come_as_the_stream_gives_them_and_the_stream_stays_open() -> None:
    given: list[int] = []

    def stream() -> object:
        for number, line in enumerate([b"id\n", b"A\n", b"B\n"]):
            given.append(number)
            yield line

    rows = read_table(stream(), KNOWN, ("id",)).rows  # type: ignore[arg-type]
    assert given == [0]
    assert next(rows).cells == {"id": "A"} and given == [0, 1]

    data = io.BytesIO(b"id\nA\n")
    list(read_table(data, KNOWN, ("id",)).rows)
    assert not data.closed


def test_a_lone_carriage_return_ends_a_line_and_a_last_line_needs_no_end() -> None:
    rows = list(read_table([b"id,note\rA,x\rB,y"], KNOWN, ("id",)).rows)
    assert [(row.line, row.cells["id"]) for row in rows] == [(2, "A"), (3, "B")]


def test_a_cell_past_the_length_that_is_read_is_a_fault_of_its_row() -> None:
    long = b"A," + b"x" * 200_000 + b"\n"
    rows = list(read_table([b"id,note\n", long, b"B,y\n"], KNOWN, ("id",)).rows)
    assert [row.fault is None for row in rows] == [False, True]
    assert len(str(rows[0].fault)) < 500


@pytest.mark.parametrize(
    ("row", "step"),
    [
        ("A,1,250,x", "write 1,250 without a comma, as 1250; quote cells that hold a comma"),
        ("A,1,250", None),  # under three columns, these are the cells of a good row
        ("A, $12,500.50,x", "write 12,500.50 without a comma, as 12500.50; quote cells that hold a comma"),
        ("A,1,250,000,x", "write 1,250,000 without a comma, as 1250000; quote cells that hold a comma"),
        ("A,1250,red, blue", "quote cells that hold a comma"),
        ("A,12,50,x", "quote cells that hold a comma"),
        ('A,7,"1,250",x', "quote cells that hold a comma"),  # a comma that is quoted cuts nothing
    ],
)
def test_a_number_that_its_comma_cut_in_two_is_named(row: str, step: str | None) -> None:
    (found,) = read_table([b"id,price,note\n", row.encode()], KNOWN, ("id",)).rows
    assert (found.fault and found.fault.next_step) == step


def test_a_missing_column_is_named() -> None:
    with pytest.raises(TableError, match=r"lacks id; is 'idd' meant to be id\?"):
        read_table([b"idd,price\n"], KNOWN, ("id",))


@pytest.mark.parametrize(
    ("start", "said"),
    [
        (b"PK\x03\x04\x14\0\x06\0", "spreadsheet's own file .* save it as CSV"),
        ("id,price\n".encode("utf-16"), "not UTF-8 text; save the file as UTF-8"),
        (
            b"\xef\xbb\xbfid;price\nA;3900,50\n",
            "lacks id.* separated by semicolons; save the file separated by",
        ),
    ],
)
def test_a_file_in_another_form_says_which_to_save(start: bytes, said: str) -> None:
    with pytest.raises(TableError, match=said):
        read_table(io.BytesIO(start), KNOWN, ("id", "price"))


def test_an_ignored_column_that_looks_like_a_known_one_is_told_with_its_name() -> None:
    known = ("condition_neck", "year", "maker")
    told = ignored_columns(("condition_nek", "shelf", "yaer"), known)
    assert (
        told
        == "ignored columns: condition_nek (did you mean condition_neck?), shelf, yaer (did you mean year?)"
    )
