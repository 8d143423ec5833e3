"""Faults that can be repaired, with their cost, and faults that cannot."""

from __future__ import annotations

from decimal import Decimal

import pytest
from market_of_fakes import subject, valuer

from models.errors import InputError
from models.insights.restoration import restoration

SUBJECT = subject(
    originality_pickups="modern",
    originality_nut="missing",
    originality_finish="refinished",
    originality_frets="refretted",
    condition_structure="repaired_headstock",
    condition_neck=4.0,
    condition_back=1.0,
)  # 8 − .2 − .3 − .2 − .1 − .3 − .4 − .1 = 6.4: 601.85


def test_parts_that_can_be_put_back_are_named_with_their_gain_dearest_first() -> None:
    found = restoration(valuer(), SUBJECT, {})
    gains = {(r.field, r.then): r.gain for r in found.remedies}
    # By hand: 735.10 − 601.85 for the nut's two steps, 665.14 − 601.85 for the pickups' one.
    assert gains == {
        ("originality.nut", "period"): Decimal("133.25"),
        ("originality.pickups", "period"): Decimal("63.29"),
    }
    assert [r.gain for r in found.remedies] == sorted((r.gain for r in found.remedies), reverse=True)


def test_no_part_that_is_put_in_becomes_the_one_it_left_the_maker_with() -> None:
    for state in ("period", "modern", "missing"):
        parts = {f"originality_{part}": state for part in ("pickups", "wiring", "tuners", "bridge", "nut")}
        offered = {r.then for r in restoration(valuer(), subject(**parts), {}).remedies}
        assert offered == (set() if state == "period" else {"period"})


def test_what_cannot_be_put_right_is_said_with_its_reason() -> None:
    lasting = {x.field: x.reason for x in restoration(valuer(), SUBJECT, {}).lasting}
    assert set(lasting) == {
        "originality.finish",
        "originality.frets",
        "condition.structure",
        "condition.neck",
    }
    assert "is gone" in lasting["originality.finish"]
    assert "stays a break" in lasting["condition.structure"]


def test_a_cost_is_held_against_the_gain_and_only_what_is_worth_it_is_done_together() -> None:
    costs = {"originality.nut": Decimal(20), "originality.pickups": Decimal(500)}
    found = restoration(valuer(), SUBJECT, costs)
    by = {(r.field, r.then): r for r in found.remedies}
    assert by[("originality.nut", "period")].net == Decimal("113.25")
    assert by[("originality.nut", "period")].worth_it is True
    assert by[("originality.pickups", "period")].worth_it is False
    assert found.together is not None
    assert found.together.changes == {"originality.nut": "period"}
    assert restoration(valuer(), SUBJECT, {}).together is None


def test_a_gain_that_may_not_cover_its_cost_is_not_called_worth_it() -> None:
    # The nut's gain is 133.25, its 50% range starts below 125.
    found = restoration(valuer(), SUBJECT, {"originality.nut": Decimal(130)})
    best = next(r for r in found.remedies if r.field == "originality.nut")
    assert best.gain > 130
    assert best.worth_it is False


def test_a_broken_headstock_can_be_repaired_but_stays_broken_once() -> None:
    found = restoration(valuer(), subject(condition_structure="broken_headstock"), {})
    assert [(r.then) for r in found.remedies] == ["repaired_headstock"]
    assert [x.field for x in found.lasting] == ["condition.structure"]


def test_nothing_wrong_needs_nothing() -> None:
    found = restoration(valuer(), subject(originality_pickups="original", condition_neck=1.0), {})
    assert (found.remedies, found.lasting, found.together) == ((), (), None)


@pytest.mark.parametrize("costs", [{"originality.finish": Decimal(1)}, {"originality.nut": Decimal(-1)}])
def test_a_cost_that_makes_no_sense_is_refused(costs: dict[str, Decimal]) -> None:
    with pytest.raises(InputError, match="costs"):
        restoration(valuer(), SUBJECT, costs)
