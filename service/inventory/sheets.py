"""Read and write workbooks (XLSX); this runs in a process of its own, since a workbook is an archive of XML.

Only the first sheet is read. No formula is run or taken, no link is followed.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Any

import orjson

from models.costs import MOST_SHEET_COLUMNS, MOST_SHEET_ROWS, MOST_SHEET_UNPACKED
from service.children.refusal import RefusedInput

READ, WRITE = "read", "write"
MARKS = FORMULA, WRONG = ("formula", "error")  # of cells that have no value: {mark: what stands there}
_MOST_PARTS = 1_000
_PIECE = 2**20
_DIGITS = 15  # of a number that spreadsheet programs keep


def main(given: bytes, arguments: list[str]) -> bytes:
    """Return the rows of a workbook as lines of JSON, or the workbook of such lines."""
    return _read(given) if arguments == [READ] else _write(given)


def _read(given: bytes) -> bytes:
    """Return one line for each row that is not blank: [number of the row, its cells]; the header first."""
    _check_archive(given)
    out = io.BytesIO()
    for number, cells in enumerate(_rows(given), 1):
        if number > MOST_SHEET_ROWS + 1:
            raise RefusedInput(
                f"the sheet has more than {MOST_SHEET_ROWS:,} rows, blank ones counted; delete blank rows at "
                "its end, or send it in parts"
            )
        if cells:
            out.write(orjson.dumps([number, cells]) + b"\n")
            if out.tell() > MOST_SHEET_UNPACKED:
                raise RefusedInput("the sheet holds too much text; send it in parts")
    return out.getvalue()


def _check_archive(given: bytes) -> None:
    """Refuse what is no archive, unpacks to too much, or declares entities."""
    try:
        with zipfile.ZipFile(io.BytesIO(given)) as archive:
            parts = archive.infolist()
            if len(parts) > _MOST_PARTS or sum(part.file_size for part in parts) > MOST_SHEET_UNPACKED:
                raise RefusedInput("the workbook unpacks to too much; save only the sheet of items")
            for part in parts:
                _check_part(archive, part)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError) as error:
        raise RefusedInput("it is no workbook (XLSX); an encrypted one cannot be read either") from error


def _check_part(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> None:
    before = b""
    with archive.open(part) as opened:
        while piece := opened.read(_PIECE):
            if b"<!" + b"DOCTYPE" in before + piece or b"<!" + b"ENTITY" in before + piece:
                raise RefusedInput("a part of the workbook declares entities, which no workbook needs")
            before = piece[-16:]


def _rows(given: bytes) -> Iterator[list[Any]]:
    from openpyxl import load_workbook

    try:
        book = load_workbook(io.BytesIO(given), read_only=True, keep_links=False)
        sheet = book.worksheets[0]
        sheet.reset_dimensions()
        for row in sheet.iter_rows():
            cells = [_cell(one) for one in row]
            while cells and cells[-1] in (None, ""):
                cells.pop()
            if len(cells) > MOST_SHEET_COLUMNS:
                raise RefusedInput(f"the sheet has more than {MOST_SHEET_COLUMNS} columns")
            yield cells
    except RefusedInput:
        raise
    except MemoryError:
        raise
    except Exception as error:  # a library that reads hostile files fails in any way
        raise RefusedInput("the workbook cannot be read; save it again as XLSX, or as CSV") from error


def _cell(one: Any) -> Any:
    from openpyxl.utils.escape import unescape

    value, kind = one.value, getattr(one, "data_type", "n")
    if kind in ("f", "e"):
        return {FORMULA if kind == "f" else WRONG: str(value)[:100]}
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat()
    if isinstance(value, date | time):
        return value.isoformat()
    return unescape(value) if isinstance(value, str) else value


def _write(given: bytes) -> bytes:
    """Return the workbook of these lines: the header with the kind of each column, then the rows' cells."""
    from xlsxwriter import Workbook

    out = io.BytesIO()
    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "default_date_format": "yyyy-mm-dd",
    }
    lines = iter(given.splitlines())
    header, kinds = orjson.loads(next(lines))
    with Workbook(out, options) as book:
        sheet = book.add_worksheet("items")
        sheet.freeze_panes(1, 1)
        sheet.set_column(0, len(header) - 1, 14)
        bold, money = book.add_format({"bold": True}), book.add_format({"num_format": "#,##0.00"})
        for at, name in enumerate(header):
            sheet.write_string(0, at, name, bold)
        for number, line in enumerate(lines, 1):
            for at, (cell, kind) in enumerate(zip(orjson.loads(line), kinds, strict=True)):
                _put(sheet, (number, at), cell, kind, money)
    return out.getvalue()


def _put(sheet: Any, at: tuple[int, int], cell: Any, kind: str, money: Any) -> None:
    if cell in (None, ""):
        return
    if isinstance(cell, bool):
        sheet.write_boolean(*at, cell)
    elif kind == "day":
        sheet.write_datetime(*at, datetime.fromisoformat(cell))
    elif kind in ("money", "number") and len(cell.replace(".", "").lstrip("-0")) <= _DIGITS:
        sheet.write_number(*at, float(cell), money if kind == "money" else None)
    elif isinstance(cell, int | float) and abs(cell) < 10**_DIGITS:
        sheet.write_number(*at, cell)
    else:
        sheet.write_string(*at, cell if isinstance(cell, str) else repr(cell))
