"""Rows for the fuzzer: tables and lines of objects, good and bad, which no schema describes."""

from __future__ import annotations

import csv
import io
import json

from hypothesis import strategies as st
from openpyxl import Workbook

NAMES = [("Ostvik", "Fjell 2"), ("Ostvik", "Dal"), ("Séraphine & Fils", "Étoile")]
SALE = {"kind": "sale", "date": "2025-03-04", "price": "900", "currency": "USD", "channel": "dealer"}
_CELLS = ["", "0", "3", "5", "2.5", "sound", "original", "true", "1966", "9", "x", "Tarn", "n/a", '"']
_COLUMNS = ["condition_neck", "condition_structure", "originality_nut", "year", "finish", "serial", "shelf"]


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """A table with its header, good rows and bad ones, and now and then a line that is none."""
    columns = draw(st.lists(st.sampled_from(_COLUMNS), unique=True))
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["id", "stock_number", "maker", "model", *SALE, *columns])
    for number in range(draw(st.integers(0, 5))):
        names = draw(st.sampled_from([*NAMES, ("Ostvik", "no such model")]))
        cells = [draw(st.sampled_from(_CELLS)) for _ in columns]
        writer.writerow([f"R{number}", f"R{number}", *names, *SALE.values(), *cells])
    return out.getvalue().encode() + draw(st.sampled_from([b"", b"\r\n", b"\xff,\n", b'"', b"a,b\n"]))


def _workbook() -> bytes:
    book, out = Workbook(), io.BytesIO()
    for row in (["stock_number", "maker", "model", "shelf"], ["W1", "Ostvik", "Dal", 7], ["W2", "Nobody"]):
        book.active.append(row)
    book.save(out)
    return out.getvalue()


WORKBOOK = _workbook()
_VALUE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
_ROW = st.fixed_dictionaries(
    {},
    optional={
        "id": st.just("A") | _VALUE,
        "stock_number": st.just("A") | _VALUE,
        "date": st.just("2026-01-02") | _VALUE,
        "channel": st.just("dealer") | _VALUE,
        "currency": st.just("EUR") | _VALUE,
        "instrument": st.just({"maker": "Ostvik", "model": "Dal"}) | _VALUE,
        "more": _VALUE,
    },
)


@st.composite
def lines(draw: st.DrawFn) -> bytes:
    """Objects by line, good and bad, and now and then a line that is none."""
    rows = draw(
        st.lists(
            _ROW.map(json.dumps) | st.sampled_from(["", "{", "[]", "nul", '{"id":1,"id":2}']), max_size=5
        )
    )
    return "\n".join(rows).encode() + draw(st.sampled_from([b"", b"\n", b"\n\xff"]))
