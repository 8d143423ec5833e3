"""Repeat-sales indices: the worked example of Bailey, Muth & Nourse (1963), recomputed."""

import numpy as np
import pytest

from training.study.index import Pair, repeat_sales

# Specimen A sold at 1, 3 and 2 in three periods; B at 1 in the first and 1 in the third.
PAIRS = [Pair(0, 1, 1, 3), Pair(1, 2, 3, 2), Pair(0, 2, 1, 1)]


def test_the_worked_example() -> None:
    assert 100 * repeat_sales(PAIRS, 3) == pytest.approx([100, 238.1102, 125.9921], abs=5e-5)
    assert repeat_sales(PAIRS, 3) == pytest.approx([1, 13.5 ** (1 / 3), 2 ** (1 / 3)], abs=1e-12)


def test_a_common_path_is_found_exactly() -> None:
    """Without noise every pair tells the same path, whatever the specimens cost."""
    path = np.array([1.0, 1.2, 0.9, 1.5])
    spans = [(0, 1), (1, 3), (0, 2), (2, 3), (0, 3)]
    pairs = [Pair(a, b, 10 * (k + 1) * path[a], 10 * (k + 1) * path[b]) for k, (a, b) in enumerate(spans)]
    assert repeat_sales(pairs, 4) == pytest.approx(path, abs=1e-9)


def test_a_period_without_a_tie_to_the_first_is_not_made_up() -> None:
    index = repeat_sales([Pair(0, 1, 1, 2), Pair(2, 3, 1, 2)], 4)
    assert index[:2] == pytest.approx([1, 2])
    assert np.isnan(index[2:]).all()


def test_order_of_pairs_and_unit_of_money_do_not_matter() -> None:
    other = [Pair(p.first, p.second, 7 * p.first_price, 7 * p.second_price) for p in reversed(PAIRS)]
    assert repeat_sales(other, 3) == pytest.approx(repeat_sales(PAIRS, 3))
