"""Rows of evidence that hypothesis draws, of any field, and the file that they make."""

from __future__ import annotations

import csv
import io
from datetime import date

from hypothesis import strategies as st

from models.domain.evidence import EVIDENCE_COLUMNS
from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, KIND_NAMES, Field, Kind


def values(field: Field) -> st.SearchStrategy[str]:
    """Draw the text of a cell of this field, empty ones included."""
    if field.kind is Kind.TERM:
        return st.sampled_from(["", *field.names])
    if field.kind is Kind.FLAG:
        return st.sampled_from(["", "true", "false"])
    if field.kind is Kind.TEXT:
        return st.text(st.characters(exclude_categories=["C", "Z"]) | st.just(" "), max_size=12)
    assert field.low is not None and field.high is not None
    if field.kind is Kind.INTEGER:
        return st.integers(int(field.low), int(field.high)).map(str)
    return st.floats(field.low, field.high).map(lambda x: str(abs(x)))


ROWS = st.fixed_dictionaries(
    {
        "kind": st.sampled_from(KIND_NAMES),
        "date": st.dates(date(2020, 1, 1), date(2026, 1, 1)).map(str),
        "price": st.decimals("2.02", 1_000_000, places=2).map(str)
        | st.sampled_from(["1e3", "0700", "12.", "1.500"]),
        "currency": st.sampled_from(["USD", "EUR", "JPY"]),
        "channel": st.sampled_from(CHANNEL_NAMES),
        "source": st.text(max_size=12),
        **{field.flat: values(field) for field in FIELDS[2:]},
        "maker": st.just("ostvik"),
        "model": st.sampled_from(["DAL", "Fjell  2"]),
    }
)


def as_csv(rows: list[dict[str, str]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, EVIDENCE_COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows({**row, "id": f"N{number}"} for number, row in enumerate(rows))
    return out.getvalue()
