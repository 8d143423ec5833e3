"""Parts of the evidence, drawn by specimen: what a fit sees, what judges it, and how the trials are run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from fakes import CATALOGUE, RATES
from fitted_fake import FittedFake, fit_fake
from linear_market import sales

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EvidenceSnapshot, specimen_digest
from models.domain.money import Rates
from training.demo.market import Market
from training.growth.measure import (
    GrowthRecords,
    Trial,
    positions_of,
    rows_of,
    run,
    sizes_of,
    tasks_of,
)


def test_a_bundles_evidence_keeps_which_records_are_of_one_specimen(small_market: Market) -> None:
    rows = rows_of(EvidenceSnapshot.of(small_market.evidence))
    before = {row.id: row for row in small_market.evidence}
    assert len(rows) == len(before)
    groups: dict[str, set[int]] = {}
    for row in rows:
        was = before[row.id]
        assert (row.kind, row.day, row.price, row.channel) == (was.kind, was.day, was.price, was.channel)
        assert (row.instrument.serial is None) == (not was.instrument.serial)
        groups.setdefault(row.specimen, set()).add(specimen_digest(was.instrument))
    assert all(len(found) == 1 for found in groups.values())
    sold_twice = [n for n in Counter(row.specimen for row in rows).values() if n > 1]
    assert len(sold_twice) > 5


def test_a_part_has_its_share_of_every_kind(small_market: Market) -> None:
    rows = small_market.evidence
    whole = Counter(row.kind for row in rows)
    for task in tasks_of(rows, 4):
        part = Counter(row.kind for row in task.rows)
        assert part["sale"] == pytest.approx(task.share * whole["sale"], rel=0.15)
        assert part["asking"] == pytest.approx(task.share * whole["asking"], rel=0.15)
        assert part["offer"] == pytest.approx(task.share * whole["offer"], abs=6)


def test_no_fit_sees_a_specimen_that_it_is_judged_by_and_every_sale_is_judged(small_market: Market) -> None:
    rows = small_market.evidence
    tasks = tasks_of(rows, 4)
    judged: dict[float, set[str]] = {}
    for task in tasks:
        seen = {row.specimen for row in task.rows}
        assert seen.isdisjoint(sale.specimen for sale in task.sales)
        judged.setdefault(task.share, set()).update(sale.id for sale in task.sales)
    every = {row.id for row in rows if row.kind == "sale"}
    assert judged == {1 / 8: every, 1 / 4: every, 1 / 2: every}


def test_a_larger_part_holds_the_smaller_ones(small_market: Market) -> None:
    places = positions_of(small_market.evidence, 0)
    assert places != positions_of(small_market.evidence, 1)
    halves = [task for task in tasks_of(small_market.evidence, 0) if task.share == 1 / 2]
    eighths = [task for task in tasks_of(small_market.evidence, 0) if task.share == 1 / 8]
    for half, eighth in zip(halves, eighths, strict=True):
        assert {row.id for row in eighth.rows} < {row.id for row in half.rows}


@pytest.mark.parametrize(("count", "shares"), [(77, [8, 4, 2]), (76, [4, 2]), (38, [2]), (18, [])])
def test_a_size_needs_ten_sales(count: int, shares: list[int]) -> None:
    """An eighth of 76 is nine and a half, which counts as nine; of few sales each size has four draws."""
    found = Counter(round(1 / task.share) for task in tasks_of(sales(count), 0))
    assert found == dict.fromkeys(shares, 4)


def test_a_holdout_judges_every_size_and_the_whole() -> None:
    rows, later = sales(100), sales(0, 0, 12)
    tasks = tasks_of(rows, 0, later)
    assert Counter(task.share for task in tasks) == {1.0: 1, 1 / 2: 4, 1 / 4: 4, 1 / 8: 4}
    assert all(task.sales == later for task in tasks)
    assert tasks[0].rows == rows


def test_trials_are_those_of_the_fits_for_any_number_of_jobs(small_market: Market) -> None:
    m = small_market
    market = GrowthRecords(m.evidence, m.catalogue, m.rates, 5)
    one, two = (run(market, fit_fake, jobs=jobs, progress=False) for jobs in (1, 2))
    assert [trial.share for trial in one] == sorted(trial.share for trial in one)
    for mine, other in zip(one, two, strict=True):
        assert (mine.share, mine.counts) == (other.share, other.counts)
        assert (mine.error == other.error).all() and (mine.specimen == other.specimen).all()


def test_what_a_fit_is_given_and_what_is_kept_of_it() -> None:
    """Fakes that say the same of every sale: too high by a known amount, as wide as a known range."""
    seeds: list[int] = []

    def fit(rows: Sequence[Evidence], catalogue: Catalogue, rates: Rates, seed: int) -> FittedFake:
        seeds.append(seed)
        fake = fit_fake(rows, catalogue, rates, seed)
        return replace(fake, levels={}, base=7.0, spread=0.2)

    rows = sales(100)
    trials = run(GrowthRecords(rows, CATALOGUE, RATES, 7), fit, progress=False)
    assert seeds == [7] * 12
    sizes = sizes_of(trials)
    assert [size.share for size in sizes] == [1 / 8, 1 / 4, 1 / 2]
    assert [size.sales for size in sizes] == pytest.approx([12.5, 25, 50], abs=0.5)
    half: Trial = sizes[-1].trials[0]
    assert half.counts == {"sale": 50, "asking": 0, "offer": 0}
    paid = {
        at: np.log(float(sale.price)) for at, sale in enumerate(sorted(rows, key=lambda sale: sale.specimen))
    }
    assert half.error == pytest.approx([7.0 - paid[int(at)] for at in half.specimen])
    assert half.width == pytest.approx(np.full(50, 2 * 1.2815515655446004 * 0.2))
