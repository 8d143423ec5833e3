"""The effect of a trees' input is divided over the fields that moved it: by hand, and for any figures."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from models.price.evaluator import attributions

FAR = st.floats(-10, 10, allow_subnormal=False).map(lambda x: round(x, 6))
MOVED = st.dictionaries(st.integers(0, 30), FAR, min_size=1, max_size=8)
EFFECT = st.floats(-5, 5, allow_subnormal=False)


def divided(moved: dict[int, float], effect: float) -> dict[int, float]:
    """Divide the effect over the places, by how far each moved the input; give each place's share."""
    found = attributions.divided(np.array(list(moved.values())), np.array(effect))
    return dict(zip(moved, found.tolist(), strict=True))


def test_it_goes_to_those_that_moved_the_input_the_way_it_went_by_hand() -> None:
    # On the whole it moved by 3 + 1 − 2 = 2 upwards: three parts to one and none to what moved it down.
    assert divided({4: 3.0, 7: 1.0, 9: -2.0}, -0.8) == pytest.approx({4: -0.6, 7: -0.2, 9: 0.0})
    assert divided({4: 3.0}, 0.5) == {4: 0.5}
    assert divided({4: -1.0, 5: -3.0, 6: 2.0}, 0.4) == pytest.approx({4: 0.1, 5: 0.3, 6: 0.0})
    assert divided({4: 3.0, 7: 1.0}, 0.0) == {4: 0.0, 7: 0.0} and divided({}, 0.0) == {}
    # Several inputs at once are divided each by itself; a field that did not move an input gets none of it.
    far, effects = np.array([[3.0, 0.0], [1.0, 0.0], [0.0, -2.0]]), np.array([0.8, 0.5])
    assert attributions.divided(far, effects) == pytest.approx(np.array([[0.6, 0], [0.2, 0], [0, 0.5]]))


@given(MOVED, EFFECT)
def test_the_parts_sum_to_the_effect_and_none_is_larger_than_it(
    moved: dict[int, float], effect: float
) -> None:
    assume(any(moved.values()))
    parts = divided(moved, effect)
    assert sum(parts.values()) == pytest.approx(effect, abs=1e-12)
    assert all(abs(part) <= abs(effect) * (1 + 4e-16) for part in parts.values())
    assert set(parts) <= set(moved)


@given(MOVED, EFFECT)
def test_whoever_moved_the_input_against_its_way_and_whoever_did_not_move_it_gets_nothing(
    moved: dict[int, float], effect: float
) -> None:
    net = sum(moved.values())
    assume(abs(net) > 1e-9)
    for place, part in divided(moved, effect).items():
        assert part == 0 or moved[place] * net > 0
        assert part * effect >= 0


@given(st.dictionaries(st.integers(0, 30), FAR, min_size=1), st.floats(0, 3))
def test_a_worse_field_never_gains_where_the_input_never_raises_the_value(
    moved: dict[int, float], slope: float
) -> None:
    """The value falls by any slope: fields that lost more are at most 0, the others at least 0."""
    assume(any(moved.values()))
    net = sum(moved.values())
    for place, part in divided(moved, -slope * net).items():
        if abs(net) > 1e-9:
            assert part <= 0 if moved[place] > 0 else part >= 0


@given(MOVED, EFFECT, st.floats(0.01, 100))
def test_it_does_not_depend_on_the_unit_nor_on_the_order(
    moved: dict[int, float], effect: float, unit: float
) -> None:
    assume(abs(sum(moved.values())) > 1e-6)
    other = {place: far * unit for place, far in reversed(moved.items())}
    parts = divided(moved, effect)
    assert divided(other, effect) == pytest.approx(parts, rel=1e-9, abs=1e-12)


def test_what_cancels_but_for_rounding_is_shared_by_all_that_moved() -> None:
    assert divided({1: 2.0, 2: -2.0}, 1e-16) == {1: 5e-17, 2: 5e-17}
