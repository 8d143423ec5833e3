"""The gate: worse is kept out, better and equal pass, and nobody is judged on what he has seen."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from fitted_fake import FittedFake, fit_fake

from models.study.judge import Judged, judge
from training.demo.market import Market
from training.study.gate import (
    LEAST_COMMON,
    Answers,
    answers_of_current,
    coverage_checks,
    gate,
    gate_of_few,
    least_inside,
)
from training.study.holdout import Split, split_by_time


@pytest.fixture(scope="module")
def split(small_market: Market) -> Split:
    return split_by_time(small_market.evidence)


@pytest.fixture(scope="module")
def holdout_model(small_market: Market, split: Split) -> FittedFake:
    return fit_fake(split.before, small_market.catalogue, small_market.rates)


@pytest.fixture(scope="module")
def candidate(small_market: Market, split: Split, holdout_model: FittedFake) -> Judged:
    # As wide as it takes: its coverage must not be what these tests turn on.
    return judge(
        replace(holdout_model, spread=_honest(small_market, split, holdout_model)),
        split.kept,
        small_market.rates,
    )


def _honest(m: Market, split: Split, holdout_model: FittedFake) -> float:
    found = judge(holdout_model, split.kept, m.rates)
    return float(np.quantile(abs(found.center - found.paid), 0.95) / 1.96)


def test_the_same_model_passes_beside_itself(candidate: Judged) -> None:
    everything = np.ones(len(candidate.paid), bool)
    verdict = gate(candidate, everything, Answers.of(candidate))
    assert verdict.passed
    assert verdict.common == len(candidate.paid)
    assert len(verdict.checks) == 4 + 2


def test_a_biased_model_is_kept_out_and_told_why(
    small_market: Market, split: Split, holdout_model: FittedFake, candidate: Judged
) -> None:
    everything = np.ones(len(candidate.paid), bool)
    worse = judge(replace(holdout_model, shift=0.4, spread=3.0), split.kept, small_market.rates)
    verdict = gate(worse, everything, Answers.of(candidate))
    assert not verdict.passed
    assert {check.name for check in verdict.checks if not check.passed} >= {
        "absolute log error",
        "90% interval score",
    }
    assert gate(candidate, everything, Answers.of(worse)).passed


def test_ranges_that_do_not_hold_are_kept_out(
    small_market: Market, split: Split, holdout_model: FittedFake
) -> None:
    narrow = judge(replace(holdout_model, spread=0.02), split.kept, small_market.rates)
    assert not gate(narrow).passed
    assert all(check.name.startswith("coverage") for check in gate(narrow).checks if not check.passed)


def test_coverage_slack_is_three_points_and_three_standard_errors(candidate: Judged) -> None:
    """At 90% of 100 sales: 90 − 3 − 3·3 = 78 must be inside; by hand."""
    n = 100
    paid = np.zeros(n)
    low, high = np.full((n, 1), -1.0), np.full((n, 1), 1.0)
    high[:22] = low[:22] = -2.0
    just = Judged(candidate.sales[:1] * n, paid, paid, low, high, candidate.weights[:1] * n, (0.9,))
    assert [check.passed for check in coverage_checks(just)] == [True]
    high[22] = low[22] = -2.0
    assert [check.passed for check in coverage_checks(just)] == [False]


def test_the_current_bundle_is_not_asked_about_sales_it_has_seen(
    small_market: Market, split: Split, holdout_model: FittedFake, candidate: Judged
) -> None:
    assert split.first is not None
    seen_all = replace(holdout_model, last_evidence=date(2030, 1, 1))
    usable, said = answers_of_current(seen_all, None, candidate, small_market.rates)
    assert not usable.any()
    assert gate(candidate, usable, said).common == 0
    usable, said = answers_of_current(holdout_model, None, candidate, small_market.rates)
    assert usable.all()
    assert said.center == pytest.approx(candidate.center)


def test_the_current_holdout_model_speaks_for_what_it_had_kept_out(
    small_market: Market, split: Split, holdout_model: FittedFake, candidate: Judged
) -> None:
    """The current bundle was fitted on everything: its holdout model's answers stand in, not its own."""
    current = replace(holdout_model, last_evidence=date(2030, 1, 1), shift=9.0)
    kept = Answers.from_bytes(Answers.of(candidate).to_bytes())
    usable, said = answers_of_current(current, kept, candidate, small_market.rates)
    assert usable.all()
    assert np.array_equal(said.center, candidate.center)
    assert np.array_equal(said.low, Answers.of(candidate).low)
    few = Answers(kept.ids[:5], kept.center[:5], kept.low[:5], kept.high[:5])
    usable, said = answers_of_current(current, few, candidate, small_market.rates)
    assert usable.sum() == 5 < LEAST_COMMON
    # Too few to compare on: only coverage is asked.
    assert len(gate(candidate, usable, said).checks) == 4


@pytest.mark.parametrize(
    ("n", "level", "least"),
    [
        # At 95% and 3 points of slack: of three sales .08³ = .0005 has none inside, .0182 one or none.
        (3, 0.95, 1),
        # At 90%: .13³ = .0022 is no clear miss even with none inside.
        (3, 0.9, 0),
        # Of five at 95%: .0002 one or none, .0045 two or fewer.
        (5, 0.95, 2),
        (1, 0.95, 0),
    ],
)
def test_so_few_sales_are_held_to_what_chance_leaves(n: int, level: float, least: int) -> None:
    assert least_inside(n, level) == least


def test_a_candidate_of_few_sales_is_refused_only_for_ranges_that_clearly_do_not_hold(
    candidate: Judged,
) -> None:
    paid = np.zeros(3)
    low, high = np.full((3, 1), -1.0), np.full((3, 1), 1.0)
    low[:2] = 0.5
    two_missed = Judged(candidate.sales[:3], paid, paid, low, high, candidate.weights[:3], (0.95,))
    assert gate_of_few(two_missed).passed
    low[2] = 0.5
    verdict = gate_of_few(two_missed)
    failed = [(check.name, check.detail) for check in verdict.checks if not check.passed]
    assert failed == [("coverage at 95%", "0 of 3 left-out sales inside; at least 1 wanted")]
    assert not verdict.common
