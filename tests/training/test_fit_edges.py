"""Evidence that is poor, lopsided or absurd is fitted all the same: answers are numbers, and sums hold."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import foreign
import numpy as np
import pytest
from specimens import drawn

from models.domain.catalogue import read_catalogue
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument
from models.domain.money import Rates
from models.domain.vocabulary import DEFAULT_LEVELS
from training.fit import fit_model
from training.rates import load_rates

CATALOGUE = read_catalogue(foreign.CATALOGUE)
Rows = list[Evidence]


@pytest.fixture(scope="module")
def rates() -> Rates:
    return load_rates()


@pytest.fixture(scope="module")
def sales(rates: Rates) -> Rows:
    return _rows("sale", 150, rates)


def _rows(kind: str, count: int, rates: Rates) -> Rows:
    made = foreign.rows_of(kind, count, rates.usd_per, 1, foreign.FIRST, foreign.LAST)
    return [Evidence.from_flat(row, CATALOGUE, rates) for row in made]


def _bare(row: Evidence) -> Evidence:
    return replace(row, instrument=Instrument(row.instrument.maker, row.instrument.model))


def _priced(row: Evidence, price: str) -> Evidence:
    return replace(row, price=Decimal(price), currency="USD")


def _perfect(row: Evidence) -> Evidence:
    best = {"condition_top": 0.0, "condition_neck": 0.0, "condition_structure": "sound"}
    original = {"originality_finish": "original", "originality_pickups": "original"}
    return replace(row, instrument=row.instrument.but(**best, **original))


WILD = random.Random(4)
CASES: dict[str, Callable[[Rows], Rows]] = {
    "as few sales as are allowed": lambda rows: rows[:20],
    "names and prices only": lambda rows: [_bare(row) for row in rows],
    "sold in two days": lambda rows: [
        replace(row, day=date(2020, 5, 5) + timedelta(days=n % 2)) for n, row in enumerate(rows)
    ],
    "sold on one day": lambda rows: [replace(row, day=date(2020, 5, 5)) for row in rows],
    "one model only": lambda rows: [row for row in rows if row.instrument.model == "Wiedehopf"],
    "one serial number on all": lambda rows: [
        replace(row, instrument=rows[0].instrument.but(serial="n/a")) for row in rows
    ],
    "all perfect": lambda rows: [_perfect(row) for row in rows],
    "all at one price": lambda rows: [_priced(row, "1000") for row in rows],
    "prices from half a dollar to fifty millions": lambda rows: [
        _priced(row, WILD.choice(("0.5", "1", "1000000", "50000000"))) for row in rows
    ],
}


@pytest.mark.parametrize("case", CASES)
def test_every_answer_is_a_number(case: str, sales: Rows, rates: Rates) -> None:
    rows = CASES[case](sales)
    model = fit_model(rows, CATALOGUE, rates, progress=False).model
    subjects = drawn(CATALOGUE, 100, seed=5)
    found = model.assess(subjects, DEFAULT_LEVELS)
    for name in ("center", "low", "high", "reference_center", "effects"):
        assert np.isfinite(getattr(found, name)).all(), name
    assert (found.low <= found.center[:, None]).all() and (found.center[:, None] <= found.high).all()
    gap = found.effects.sum(axis=1) - found.center + found.reference_center
    assert np.abs(gap).max() < 1e-9
    paid = np.log([float(row.price) * rates.usd_per(row.currency, row.day) for row in rows])
    # No value lies far past all that was ever paid: worn specimens may cost less than any that was sold.
    assert paid.min() - 3 < found.center.min() and found.center.max() < paid.max() + 1.5


def test_trees_are_explained_where_the_file_has_no_finishes(rates: Rates) -> None:
    """Their input of finishes has nothing to read there: no valuation may be the first to notice."""
    # Wear that costs far more at auctions: the backbone has no term for it, so that trees are believed.
    rows = [_turned(row) for row in _rows("sale", 600, rates)]
    model = fit_model(rows, CATALOGUE, rates, progress=False).model
    trees = model.core.trees
    assert trees is not None and trees.weight > 0.1
    names = [one.name for one in trees.inputs]
    assert {"identity", "channel", "condition", "refinish"} <= set(names) and "finish" not in names
    subjects = drawn(CATALOGUE, 50, seed=6)
    found = model.assess(subjects, (0.8,))
    assert np.abs(found.effects.sum(axis=1) - found.center + found.reference_center).max() < 1e-9


def _turned(row: Evidence) -> Evidence:
    lost = 0.25 * (row.instrument.condition_neck or 0.0) * (row.channel == "auction")
    return replace(row, price=row.price * Decimal(f"{np.exp(-lost):.4f}"))


def test_a_field_that_the_file_never_knows_moves_nothing(rates: Rates, sales: Rows) -> None:
    """Every year is blank there and stands for the middle of its run: no slope may be read off those."""
    model = fit_model([_bare(row) for row in sales], CATALOGUE, rates, progress=False).model
    subjects = drawn(CATALOGUE, 100, seed=5)
    for flat in ("year", "figure", "weight_kg", "finish"):
        gap = model.center(subjects) - model.center([s.but(**{flat: None}) for s in subjects])
        assert np.abs(gap).max() < 1e-9, flat
