"""Alternatives: values with some fields changed, paired ranges of the difference, and refusals."""

from __future__ import annotations

import math
from decimal import Decimal
from itertools import pairwise

import pytest
from market_of_fakes import subject, valuer

from models.costs import MOST_ALTERNATIVES
from models.errors import InputError
from models.insights.alternatives import alternatives
from models.valuation.levels import check_levels

SUBJECT = subject(condition_neck=4.0, originality_pickups="modern", figure=2.0)  # 8 − .4 − .2 + .4 = 7.8


def test_the_value_is_that_of_the_changed_specimen_and_the_difference_is_from_the_subjects() -> None:
    (found,) = alternatives(valuer(), SUBJECT, [{"condition.neck": 1, "figure": None}])
    # By hand: 8 − .1 − .2 = 7.7: 2,208.35; it was e^7.8 = 2,440.60.
    assert found.value == Decimal("2208.35")
    assert found.difference == Decimal("-232.25")
    assert found.effect == pytest.approx(-0.1)
    assert found.instrument.figure is None


def test_the_paired_range_is_of_the_difference_alone() -> None:
    (found,) = alternatives(valuer(), SUBJECT, [{"originality.pickups": "original"}], levels=(0.8,))
    # By hand: +.2 ± 1.281552 · .02 (a tenth of the difference): e^(8 ± .025631) − e^7.8:
    # 2,905.52 and 3,058.35, less 2,440.60.
    (pair,) = found.difference_intervals
    assert (pair.low, pair.high) == (Decimal("464.92"), Decimal("617.75"))
    assert pair.high - pair.low < found.intervals[0].high - found.intervals[0].low


def test_the_same_value_again_changes_nothing_and_is_sure() -> None:
    (found,) = alternatives(valuer(), SUBJECT, [{"condition.neck": 4.0}])
    assert found.difference == 0
    assert all(i.low == i.high == 0 for i in found.difference_intervals)


def test_each_set_of_changes_is_answered_alone_and_in_order() -> None:
    sets = [{"condition.neck": k} for k in range(5)]
    together = alternatives(valuer(), SUBJECT, sets)
    assert together == tuple(alternatives(valuer(), SUBJECT, [s])[0] for s in sets)
    assert alternatives(valuer(), SUBJECT, []) == ()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"condition.nek": 1}, "did you mean condition.neck?"),
        ({"condition.neck": 6}, "out of range"),
        ({"originality.pickups": "newer"}, "is not a term of this field"),
        ({"model": "Dal"}, "another instrument"),
        ({}, "holds no change"),
    ],
)
def test_what_cannot_be_read_is_refused_with_what_to_do(change: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        alternatives(valuer(), SUBJECT, [change])


def test_too_many_at_once_are_refused() -> None:
    with pytest.raises(InputError, match="too many"):
        alternatives(valuer(), SUBJECT, [{"figure": 1}] * (MOST_ALTERNATIVES + 1))


def test_ranges_of_the_difference_nest() -> None:
    (found,) = alternatives(valuer(), SUBJECT, [{"figure": 5}], levels=check_levels([0.5, 0.8, 0.95]))
    pairs = found.difference_intervals
    assert all(b.low <= a.low <= found.difference <= a.high <= b.high for a, b in pairwise(pairs))
    assert found.value == Decimal(str(round(math.exp(8.4), 2)))
