"""Ranges learn from later sales how wide they must be."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from models.study.judge import Judged
from training.study.width import width_factor, width_factor_of_few

LEVELS = (0.5, 0.8, 0.9, 0.95)


def judged_with(sd: float, promised: float, count: int) -> Judged:
    """Sales spread evenly over a normal of `sd`, ranges of a normal of `promised`."""
    paid = np.array([sd * NormalDist().inv_cdf((i + 0.5) / count) for i in range(count)])
    half = np.array([promised * NormalDist().inv_cdf((1 + level) / 2) for level in LEVELS])
    center = np.zeros(count)
    return Judged((), paid, center, np.tile(-half, (count, 1)), np.tile(half, (count, 1)), (), LEVELS)


def test_ranges_that_held_what_they_promised_stay() -> None:
    assert width_factor(judged_with(0.2, 0.2, 2000)) == pytest.approx(1.0, abs=0.01)


def test_too_narrow_ranges_are_widened_and_the_more_sales_the_surer() -> None:
    few, many = (width_factor(judged_with(0.22, 0.2, n)) for n in (150, 5000))
    assert 1.02 < few < many < 1.11
    assert many == pytest.approx(1.1, abs=0.01)


def test_no_change_without_enough_sales_and_never_a_wild_one() -> None:
    assert width_factor(judged_with(0.4, 0.2, 99)) == 1.0
    assert width_factor(judged_with(0.9, 0.2, 5000)) == 1.25
    assert width_factor(judged_with(0.02, 0.2, 5000)) == 0.95


def test_a_range_that_ends_at_its_value_says_that_it_is_too_narrow_and_nothing_is_divided_by_it() -> None:
    judged = judged_with(0.2, 0.2, 2000)
    low = judged.low.copy()
    low[::20] = 0.0  # of every twentieth sale: what a blank may be there lies above the value only
    found = width_factor(replace(judged, low=low))
    assert 1.0 < found < 1.25


def test_few_sales_left_out_widen_a_little_and_never_narrow() -> None:
    too_narrow, too_wide = judged_with(0.4, 0.2, 30), judged_with(0.1, 0.2, 30)
    # Twice as far as promised, 30 sales against the weight of 150: 2^(30/180) = 1.12, and a little more.
    assert 1.08 < width_factor_of_few(too_narrow) < 1.16
    assert width_factor_of_few(too_wide) == 1.0
    assert width_factor(too_narrow) == 1.0
    assert 1.0 <= width_factor_of_few(judged_with(0.4, 0.2, 3)) < 1.05
