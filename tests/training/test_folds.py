"""Cross-validation of whole specimens: every sale is judged once, by a fit without its specimen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal

import numpy as np
import pytest
from fakes import RATES
from fitted_fake import FittedFake, fit_fake
from hypothesis import given
from hypothesis import strategies as st

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument
from models.domain.money import Rates
from training.demo.market import Market
from training.study.folds import cross_validated, folds

SPELLINGS = ("F 77", "f77", "F 7 7")


def row(at: int, kind: str, serial: str | None, model: str = "Dal", day: int = 0) -> Evidence:
    it = Instrument("Ostvik", model, serial=serial)
    when = date(2024, 1, 1) + timedelta(days=day)
    return Evidence(f"R{at}", kind, when, Decimal(1000 + at), "USD", "dealer", "", it)


KINDS = st.sampled_from(("sale", "sale", "asking", "offer"))
SERIALS = st.one_of(st.none(), st.sampled_from((*SPELLINGS, "12", "13", "14", "15", "16", "17")))
ROWS = st.lists(
    st.tuples(KINDS, SERIALS, st.sampled_from(("Dal", "Fjell 2")), st.integers(0, 900)), max_size=30
).map(lambda drawn: [row(at, *one) for at, one in enumerate(drawn)])


def specimen(e: Evidence) -> str:
    """Name an instrument as a person would, by model and number; one without a number is itself."""
    number = (e.instrument.serial or "").replace(" ", "").upper()
    return f"{e.instrument.model} {number}" if number else e.id


@given(ROWS, st.integers(0, 20))
def test_each_sale_is_judged_once_by_a_fit_without_any_record_of_its_specimen(
    rows: list[Evidence], seed: int
) -> None:
    found = folds(rows, seed)
    sold = {specimen(e) for e in rows if e.kind == "sale"}
    assert len(found) == (min(5, len(sold)) if len(sold) >= 3 else 0)
    if found:
        judged = Counter(sale.id for fold in found for sale in fold.kept)
        assert judged == Counter(e.id for e in rows if e.kind == "sale")
    for fold in found:
        left_out = {specimen(sale) for sale in fold.kept}
        assert left_out
        assert {e.id for e in fold.rest} == {e.id for e in rows if specimen(e) not in left_out}
        assert any(e.kind == "sale" for e in fold.rest)


@given(ROWS, st.randoms())
def test_the_order_of_the_rows_does_not_matter(rows: list[Evidence], random: object) -> None:
    mixed = list(rows)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    assert folds(mixed, 7) == folds(rows, 7)


def test_spellings_of_one_serial_are_one_specimen_but_not_those_of_two_models() -> None:
    one = [row(at, "sale", text) for at, text in enumerate(SPELLINGS)]
    assert folds(one, 0) == []
    assert folds([*one, row(5, "sale", None)], 0) == []
    assert len(folds([*one, row(5, "sale", None), row(6, "sale", "F77", "Fjell 2")], 0)) == 3


def test_askings_and_offers_of_others_are_in_every_fit() -> None:
    rows = [row(at, "sale", str(at)) for at in range(8)]
    others = [row(20, "asking", None), row(21, "offer", "99")]
    own = row(22, "asking", "3")
    for fold in folds([*rows, *others, own], 0):
        assert set(others) <= set(fold.rest)
        assert (own in fold.rest) == (rows[3] not in fold.kept)


def test_what_is_judged_is_what_each_fit_said_of_the_sales_that_it_had_not_seen(
    small_market: Market,
) -> None:
    seen: list[set[str]] = []

    def fit(rows: Sequence[Evidence], catalogue: Catalogue, rates: Rates, seed: int) -> FittedFake:
        seen.append({e.id for e in rows})
        return FittedFake(base=float(len(seen)), spread=0.1, last_evidence=None)

    m = small_market
    rows = m.evidence[:100]
    found = cross_validated(rows, m.catalogue, m.rates, fit, progress=False)
    assert found is not None
    assert len(seen) == 5
    assert Counter(s.id for s in found.sales) == Counter(e.id for e in rows if e.kind == "sale")
    # Each of these models says its own number, less .06 for each grade of wear of the top.
    for sale, center in zip(found.sales, found.center, strict=True):
        (own,) = [at for at, ids in enumerate(seen, 1) if sale.id not in ids]
        assert center == pytest.approx(own - 0.06 * (sale.instrument.condition_top or 0))


def test_parallel_runs_agree(small_market: Market) -> None:
    m = small_market
    one, two = (
        cross_validated(m.evidence[:80], m.catalogue, m.rates, fit_fake, jobs=jobs, progress=False)
        for jobs in (1, 2)
    )
    assert one is not None
    assert two is not None
    assert one.sales == two.sales
    assert np.array_equal(one.center, two.center)
    assert np.array_equal(one.low, two.low)


def test_with_fewer_than_three_specimens_sold_nothing_is_fitted_or_judged(small_market: Market) -> None:
    def never(*_: object) -> FittedFake:
        raise AssertionError("nobody asked for a fit")

    rows = [row(0, "sale", "1"), row(1, "sale", "1"), row(2, "sale", "2"), row(3, "asking", "3")]
    assert cross_validated(rows, small_market.catalogue, RATES, never, progress=False) is None
