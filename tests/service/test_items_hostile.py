"""Workbooks that mean harm: each is refused, in bounded time and memory, and nothing is written."""

from __future__ import annotations

import io
import time
import zipfile
from collections.abc import Callable

import pytest
from asking import Caller, assert_problem
from flask import Flask
from item_bodies import XLSX, emptied, names, send
from openpyxl import Workbook

_SHEET = "xl/worksheets/sheet1.xml"
_TEXT = b'<c t="inlineStr"><is><t>%s</t></is></c>'
# A sheet that would be taken, as far as it goes: the header and a good row.
_HEAD = b"".join(
    [
        b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData><row>',
        *(_TEXT % name for name in (b"stock_number", b"maker", b"model")),
        b"</row><row>",
        *(_TEXT % name for name in (b"A", b"Ostvik", b"Dal")),
        b"</row>",
    ]
)
_END = b"</sheetData></worksheet>"


@pytest.fixture
def stock(own_app: Flask) -> Caller:
    """On SQLite alone: no database is asked for a workbook that is refused."""
    return emptied(own_app)


def _good() -> bytes:
    book, out = Workbook(), io.BytesIO()
    book.active.append(["stock_number", "maker", "model"])
    book.active.append(["A", "Ostvik", "Dal"])
    book.save(out)
    return out.getvalue()


def _with(part: str, content: bytes, *, level: int = 9) -> bytes:
    """A good workbook with one part replaced or added."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(_good())) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=level) as new,
    ):
        for name in old.namelist():
            if name != part:
                new.writestr(name, old.read(name))
        new.writestr(part, content)
    return out.getvalue()


def _bomb() -> bytes:
    return _with(_SHEET, _HEAD + b"<row>" * 60_000_000, level=1)


def _entities() -> bytes:
    levels = b"".join(b'<!ENTITY a%d "%s">' % (n, b"&a%d;" % (n - 1) * 10) for n in range(1, 12))
    return _with(_SHEET, b'<!DOCTYPE x [<!ENTITY a0 "lol">' + levels + b"]>" + _HEAD + b"&a11;" + _END)


def _outside() -> bytes:
    return _with(_SHEET, b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>' + _HEAD + b"&a;" + _END)


def _entities_in_utf_16() -> bytes:
    text = '<?xml version="1.0" encoding="utf-16"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    return _with(_SHEET, (text + (_HEAD + b"&a;" + _END).decode()).encode("utf-16"))


def _blank_rows() -> bytes:
    return _with(_SHEET, _HEAD + b'<row><c t="n"/></row>' * 2_000_000 + _END, level=1)


def _far_row() -> bytes:
    cell = b'<row r="10000000"><c r="A10000000" t="inlineStr"><is><t>x</t></is></c></row>'
    return _with(_SHEET, _HEAD + cell + _END)


def _wide() -> bytes:
    return _with(_SHEET, _HEAD + b'<row r="3"><c r="XFD3"><v>1</v></c></row>' + _END)


def _deep() -> bytes:
    return _with(_SHEET, _HEAD + b"<row>" * 200_000 + _END)


def _many_parts() -> bytes:
    out = io.BytesIO(_good())
    with zipfile.ZipFile(out, "a") as book:
        for number in range(1_500):
            book.writestr(f"xl/media/{number}", b"")
    return out.getvalue()


def _lying_size() -> bytes:
    return _good().replace(b"PK\x01\x02", b"PK\x01\x03")


@pytest.mark.parametrize(
    "made",
    [
        _bomb,
        _entities,
        _outside,
        _entities_in_utf_16,
        _blank_rows,
        _far_row,
        _wide,
        _deep,
        _many_parts,
        _lying_size,
        lambda: b"",
        lambda: b"PK\x03\x04",
        lambda: _good()[:-200],
        lambda: _with("[Content_Types].xml", b""),
        lambda: _with("xl/workbook.xml", b"<workbook/>"),
        lambda: b"stock_number,maker,model\nA,Ostvik,Dal\n",
    ],
)
def test_it_is_refused_and_nothing_is_written(stock: Caller, made: Callable[[], bytes]) -> None:
    body, began = made(), time.monotonic()
    found = send(stock, body, XLSX)
    assert_problem(found, 400, "table")
    assert "/etc" not in found.text and "root:" not in found.text
    assert time.monotonic() - began < 90
    assert names(stock) == []


def test_the_sheet_that_they_begin_with_would_be_taken(stock: Caller) -> None:
    assert send(stock, _with(_SHEET, _HEAD + _END), XLSX).status_code == 200
    assert names(stock) == ["A"]


def test_links_to_elsewhere_are_not_followed(stock: Caller) -> None:
    """pytest-socket bars this process; the child would have to wait for an address that never answers."""
    link = (
        b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship '
        b'Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/hyperlink" '
        b'Target="http://192.0.2.1/x" TargetMode="External"/></Relationships>'
    )
    began = time.monotonic()
    found = send(stock, _with("xl/worksheets/_rels/sheet1.xml.rels", link), XLSX)
    assert found.status_code == 200 and names(stock) == ["A"]
    assert time.monotonic() - began < 30
