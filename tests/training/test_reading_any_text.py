"""Whatever a file holds, rows written are rows read, and no text crashes the reader or hides a good row."""

from __future__ import annotations

import random
from datetime import date

import pytest
from evidence_files import CATALOGUE, TODAY, Read, csv_text, row
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.domain.evidence import EVIDENCE_COLUMNS, Evidence
from models.domain.instrument import Instrument
from models.domain.names import normal
from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, KIND_NAMES, NO_EDITION, PLACEHOLDERS, Field, Kind
from models.errors import TableError

NOTHING = PLACEHOLDERS | NO_EDITION  # texts that are read as not known
TEXTS = st.text(st.characters(exclude_categories=["C", "Z"]) | st.just(" "), max_size=12)


def values(field: Field) -> st.SearchStrategy[object]:
    if field.kind is Kind.TERM:
        return st.sampled_from(field.names)
    if field.kind is Kind.FLAG:
        return st.booleans()
    if field.kind is Kind.TEXT:
        texts = TEXTS.map(lambda text: " ".join(text.split()) or None)
        return texts.filter(lambda text: text is None or normal(text) not in NOTHING)
    assert field.low is not None and field.high is not None
    if field.kind is Kind.INTEGER:
        return st.integers(int(field.low), int(field.high))
    return st.floats(field.low, field.high).map(lambda x: abs(round(x, 3)))


INSTRUMENTS = st.fixed_dictionaries(
    {
        "maker": st.just("Tidewright"),
        "model": st.sampled_from(["Sœur Océane", "Low Water"]),
        **{f.flat: st.none() | values(f) for f in FIELDS[2:]},
    }
).map(lambda fields: CATALOGUE.canonical(Instrument(**fields)))  # type: ignore[arg-type]

EVIDENCE = st.builds(
    Evidence,
    st.just(""),
    st.sampled_from(KIND_NAMES),
    st.dates(date(2020, 1, 2), TODAY),
    st.decimals("0.02", 1_000_000, places=2),
    st.sampled_from(["USD", "EUR"]),
    st.sampled_from(CHANNEL_NAMES),
    TEXTS.map(lambda text: " ".join(text.split())),
    INSTRUMENTS,
)
QUICK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@QUICK
@given(
    st.lists(EVIDENCE, max_size=6),
    st.randoms(use_true_random=False),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.booleans(),
)
def test_rows_written_are_the_rows_read(
    read: Read, rows: list[Evidence], shuffle: random.Random, end: str, bom: bool
) -> None:
    named = [
        Evidence(f"N{n}", *(getattr(e, name) for name in Evidence.__slots__[1:])) for n, e in enumerate(rows)
    ]
    columns = [*EVIDENCE_COLUMNS, "left over"]
    shuffle.shuffle(columns)
    text = csv_text([e.to_flat() for e in named], columns, end)
    reading = read(b"\xef\xbb\xbf" * bom + text.encode())
    assert reading.rows == tuple(named)
    assert reading.refused == () and reading.ignored_columns == ("left over",)


LINES = st.lists(st.text('",\r\n\t;aR1.-é\0') | st.binary(max_size=30), max_size=12)


@QUICK
@given(LINES, st.integers(0, 12))
def test_garbage_never_crashes_and_never_hides_a_good_row_of_its_own_line(
    read: Read, garbage: list[str | bytes], at: int
) -> None:
    parts = [g if isinstance(g, bytes) else g.encode() for g in garbage]
    parts = [b"x" + p.replace(b"\n", b"").replace(b"\r", b"").replace(b'"', b"") for p in parts]
    header, good = csv_text([row(id="GOOD")]).encode().splitlines()
    parts.insert(min(at, len(parts)), good)
    reading = read(b"\n".join([header, *parts]))
    assert [r.id for r in reading.rows] == ["GOOD"]
    assert len(reading.refused) == len(garbage)


@QUICK
@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_bytes_of_any_kind_are_read_or_refused(read: Read, data: bytes) -> None:
    header = csv_text([]).encode()
    assert not read(header + data).rows
    with pytest.raises(TableError):
        read(data)
