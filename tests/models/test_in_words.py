"""A stock list told in words: figures that can be checked by hand, every row in its place."""

from __future__ import annotations

import csv
import io
from datetime import date

from fakes import CATALOGUE, RATES, FakePriceModel

from models.tables.in_words import tell_stocklist
from models.tables.stocklist import RowCounts, Terms, value_stocklist
from models.valuation.valuer import Valuer

VALUER = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1")
TERMS = Terms(date(2026, 1, 3), levels=(0.8,))
STOCK = """id,maker,model,condition_neck,shelf
A,Ostvik,Dal,3,1
B,Ostvik,Dahl,,
,ostvik,DAL,9,
D,Ostvik,Dal,0,
"""


def told(text: str, terms: Terms = TERMS) -> tuple[list[str], RowCounts, list[str]]:
    """The paragraphs, how many rows were valued, and the notes."""
    out, notes = io.StringIO(), list[str]()
    outcome = tell_stocklist(io.BytesIO(text.encode()), out, VALUER, terms, notes.append)
    return out.getvalue().split("\n\n"), outcome, notes


def test_a_value_is_told_with_its_evidence_and_reasons() -> None:
    """exp(8 − 0.3) = 2,208.35; the typical one has wear 2 on six parts: exp(8 − 1.2) = 897.85."""
    first = told(STOCK)[0][0].splitlines()
    assert first[:2] == ["A: Ostvik Dal, on 3 January 2026, private", "  Value: $2,208"]
    assert "  Evidence: many: ten or more closed sales of the same model, edition and build" in first
    assert "  Reasons, from a typical instrument at $898:" in first
    # e to the −0.1 is 9.5% less.
    assert any("Neck wear: moderate (typical: light): −9.5%, −$" in line for line in first)
    assert any("not an authentication" in line for line in first)


def test_ranges_are_those_of_the_csv() -> None:
    out = io.StringIO()
    value_stocklist(io.BytesIO(STOCK.encode()), out, VALUER, TERMS)
    row = next(csv.DictReader(io.StringIO(out.getvalue())))
    low, high = (f"${float(row[name]):,.0f}" for name in ("low_80", "high_80"))
    assert f"  80% range: {low} to {high}" in told(STOCK)[0][0].splitlines()


def test_rows_that_cannot_be_valued_say_why_in_their_place() -> None:
    paragraphs, outcome, notes = told(STOCK)
    assert (outcome.valued, outcome.failed) == (2, 2)
    assert paragraphs[1].startswith("B: cannot be valued: line 3: ") and "did you mean Dal" in paragraphs[1]
    assert paragraphs[2].startswith("line 4: cannot be valued: line 4: id: ") and "0 to 5" in paragraphs[2]
    assert paragraphs[3].startswith("D: Ostvik Dal")
    assert notes == ["ignored columns: shelf"]


def test_what_is_not_known_is_told_in_one_line_with_its_sum() -> None:
    """The typical one has wear 2 on the five parts that are not known: e to the 1.0 is 172% more."""
    lines = told(STOCK)[0][0].splitlines()
    (blank,) = [line for line in lines if "Not given: " in line]
    assert "pickups" in blank and "top wear" in blank and "neck wear" not in blank
    assert ": together +172%, +$" in blank
    assert not any(line.startswith(("    - Pickups", "    - Top wear")) for line in lines)


def test_the_currency_of_the_terms_is_told() -> None:
    """$2,208.35 at 1.10 dollars for a euro are €2,007.59."""
    first = told(STOCK, Terms(TERMS.day, currency="EUR", levels=(0.8,)))[0][0]
    assert "  Value: €2,008\n" in first
