"""The record of a specimen: its earlier sales and askings, what changed, and what they imply today."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from market_of_fakes import sold, subject, valuer

from models.domain.instrument import Instrument
from models.insights.record import changes_between, record_of

ROWS = (
    sold("first", "2000", date(2019, 5, 1), serial="B7", condition_neck=1.0, originality_pickups="original"),
    sold("asked", "4000", date(2021, 5, 1), kind="asking", serial="b 7", channel="dealer"),
    sold("other", "2000", date(2020, 5, 1), serial="B8"),
)
NOW = {"serial": "B7", "condition_neck": 3.0, "originality_pickups": "modern"}


def test_earlier_records_stand_in_order_and_only_those_of_the_specimen() -> None:
    found = record_of(valuer(*ROWS), subject(**NOW))
    assert [(e.id, e.kind) for e in found.entries] == [("first", "sale"), ("asked", "asking")]
    assert {c.code for c in found.cautions} == {"earlier_record", "changed_since_record"}


def test_an_earlier_price_is_brought_to_what_the_specimen_is_today() -> None:
    found = record_of(valuer(*ROWS), subject(**NOW))
    # By hand: it was 8 − .1, it is 8 − .3 − .2: 2,000 · e^−.4 = 1,340.64; asked with nothing known at a
    # dealer's (8 − .05): 4,000 · e^(−.5 + .05) = 2,550.51.
    assert [e.implied for e in found.entries] == [Decimal("1340.64"), Decimal("2550.51")]


def test_what_was_said_original_and_is_modern_now_is_named() -> None:
    found = record_of(valuer(ROWS[0]), subject(**NOW))
    (entry,) = found.entries
    changed = {c.field: (c.before, c.after, c.kind) for c in entry.changes}
    assert changed["originality.pickups"] == ("original", "modern", "loss")
    assert changed["condition.neck"] == (1.0, 3.0, "loss")
    fields = {c.field for c in found.cautions if c.code == "changed_since_record"}
    assert fields == {"originality.pickups", "condition.neck"}


def test_a_change_is_a_loss_a_gain_or_a_contradiction() -> None:
    before = Instrument("Ostvik", "Fjell 2", year=1961, originality_bridge="modern", condition_top=2.0)
    after = before.but(year=1963, originality_bridge="original", condition_top=3.0)
    kinds = {c.field: c.kind for c in changes_between(before, after)}
    # One grade of wear apart is what two careful people differ by.
    assert kinds == {"year": "contradiction", "originality.bridge": "gain"}


def test_without_a_serial_or_an_earlier_record_there_is_nothing_to_say() -> None:
    for it in (subject(), subject(serial="C1"), subject(serial="B7", day=date(2018, 1, 1))):
        found = record_of(valuer(*ROWS), it)
        assert (found.entries, found.cautions) == ((), ())
