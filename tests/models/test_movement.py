"""A move of a value is split into amounts by cause that sum to the difference to the cent."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel
from hypothesis import given, settings
from hypothesis import strategies as st

from models.decisions.movement import Cause, Movement, ValuedState, movements
from models.domain.catalogue import Catalogue
from models.domain.instrument import Instrument, Subject
from models.valuation.valuer import Valuer

OLD_DAY, NEW_DAY = date(2025, 12, 1), date(2026, 2, 9)  # seventy days apart; RATES change between them


@dataclass(frozen=True)
class Rising(FakePriceModel):
    """The fake model whose market rises by .001 a day since 2025-01-01."""

    per_day: float = 0.001

    def _parts(self, subject: Subject) -> dict[str, float]:
        rise = self.per_day * (subject.day - date(2025, 1, 1)).days
        return {**super()._parts(subject), "day": rise}


def valuer(version: str = "v1", base: float = 8.0, catalogue: Catalogue = CATALOGUE) -> Valuer:
    return Valuer(Rising(base), catalogue, RATES, version)


def valued(
    by: Valuer, it: Instrument, day: date, currency: str = "USD", channel: str = "private"
) -> ValuedState:
    found = by.value(Subject(it, day, channel), currency)
    subject = Subject(found.instrument, day, channel)
    return ValuedState(subject, found.value, currency, found.rate, by.version)


def moved(old: ValuedState, new: ValuedState, now: Valuer, *past: Valuer) -> Movement:
    return movements([(old, new)], now, {v.version: v for v in past}.get)[0]


def said(move: Movement) -> list[tuple[str, str | None, str]]:
    return [(part.cause.value, part.field, str(part.amount)) for part in move.parts]


CLEAN = Instrument("Ostvik", "Fjell 2", condition_neck=1.0)
WORN = CLEAN.but(condition_neck=3.0)
FIRST, SECOND = valuer("v1", 8.0), valuer("v2", 8.05)


def test_the_worked_example_of_the_documents() -> None:
    """docs/inventory.md: five causes of one move, each computed by hand.

    The old value is exp(8 − .1 + .334) = 3766.87 dollars, at 1.25 a euro 3013.50 euros. The new one is
    exp(8.05 − .3 + .404 − .05) = 3307.67 dollars, at 1.1 a euro 3006.97 euros. The logarithmic mean of the
    two is 3010.23. Times the effects .07, .05, −.2, −.05 and ln(1.25 / 1.1) = .127833 it gives 210.72,
    150.51, −602.05, −150.51 and 384.81. These sum to −6.52, so the largest effect takes the −.01 that is
    missing.
    """
    old = valued(FIRST, CLEAN, OLD_DAY, "EUR")
    new = valued(SECOND, WORN, NEW_DAY, "EUR", "dealer")
    assert (old.value, new.value) == (Decimal("3013.50"), Decimal("3006.97"))
    move = moved(old, new, SECOND, FIRST)
    assert (move.before, move.difference) == (Decimal("3013.50"), Decimal("-6.53"))
    assert said(move) == [
        ("market", None, "210.72"),
        ("price_model", None, "150.51"),
        ("field", "condition.neck", "-602.06"),
        ("channel", None, "-150.51"),
        ("exchange_rate", None, "384.81"),
    ]


def test_a_new_grade_alone_stands_beside_the_market() -> None:
    # exp(8 + .334 − .1) = 3766.87; exp(8 + .404 − .3) = 3307.67; their mean 3532.30 times .07 and −.2.
    old, new = valued(FIRST, CLEAN, OLD_DAY), valued(FIRST, WORN, NEW_DAY)
    move = moved(old, new, FIRST)
    assert move.difference == Decimal("-459.20")
    assert said(move) == [("market", None, "247.26"), ("field", "condition.neck", "-706.46")]


def test_nothing_is_said_of_what_did_not_change() -> None:
    old = valued(FIRST, CLEAN, OLD_DAY)
    assert said(moved(old, old, FIRST)) == []
    later = valued(FIRST, CLEAN.but(serial="F 77"), OLD_DAY)
    assert said(moved(old, later, FIRST)) == [("field", "serial", "0.00")]


def test_market_and_price_model_are_one_cause_where_the_old_model_is_gone() -> None:
    old, new = valued(FIRST, CLEAN, OLD_DAY), valued(SECOND, WORN, NEW_DAY)
    # exp(8.234) = 3766.87 → exp(8.154) = 3477.26: the mean 3620.14 times .12 and −.2.
    assert said(moved(old, new, SECOND)) == [
        ("market_and_price_model", None, "434.42"),
        ("field", "condition.neck", "-724.03"),
    ]


def test_an_old_model_that_says_another_value_now_tells_nothing() -> None:
    """The program changed, or the file was exchanged: the value that was kept is what counts."""
    old, new = valued(FIRST, CLEAN, OLD_DAY), valued(SECOND, CLEAN, NEW_DAY)
    move = moved(old, new, SECOND, valuer("v1", 8.2))
    assert said(move) == [("market_and_price_model", None, str(new.value - old.value))]


def test_another_currency_is_restated_at_the_old_rate() -> None:
    old, new = valued(FIRST, CLEAN, OLD_DAY), valued(FIRST, CLEAN, NEW_DAY, "EUR")
    move = moved(old, new, FIRST)
    # 3766.87 / 1.25 = 3013.50 euros on the old day; exp(8.304) / 1.1 = 3672.73 on the new one.
    assert (move.restated, move.before, move.currency) == (True, Decimal("3013.50"), "EUR")
    assert move.difference == Decimal("659.23")
    # The mean 3332.25 times .07 and .127833.
    assert said(move) == [("market", None, "233.26"), ("exchange_rate", None, "425.97")]


@pytest.mark.parametrize("currency", ["EUR", "KWD", "JPY"])
def test_a_mere_change_of_currency_moves_nothing(currency: str) -> None:
    """Not even where the old value was rounded to coarser amounts than the new currency has."""
    for step in range(20):
        by = valuer("v1", 8 + step / 100)
        old, new = valued(by, CLEAN, OLD_DAY), valued(by, CLEAN, OLD_DAY, currency)
        move = moved(old, new, by)
        assert (move.difference, said(move), move.before) == (0, [], new.value)


def test_a_currency_without_an_old_rate_is_restated_at_the_new_one() -> None:
    old_day = date(2019, 1, 1)  # before the first rate of the euro
    old, new = valued(FIRST, CLEAN, old_day), valued(FIRST, CLEAN, NEW_DAY, "EUR")
    move = moved(old, new, FIRST)
    assert move.before == (old.value / Decimal("1.1")).quantize(Decimal("0.01"))
    assert [cause for cause, *_ in said(move)] == ["market"]


def test_fields_of_another_model_of_instrument_are_one_cause() -> None:
    old, new = valued(FIRST, CLEAN, OLD_DAY), valued(FIRST, WORN.but(model="Dal"), NEW_DAY)
    move = moved(old, new, FIRST)
    assert [(part.cause, part.field) for part in move.parts] == [
        (Cause.MARKET, None),
        (Cause.INSTRUMENT, None),
    ]
    assert str(move.parts[1].amount) == "-706.46"  # as of the grade above: the fake prices the models alike


def test_an_instrument_that_the_new_model_does_not_know_is_one_cause_with_it() -> None:
    fewer = Catalogue(tuple(m for m in CATALOGUE.models if m.name != "Dal"))
    now = valuer("v2", 8.05, fewer)
    old, new = valued(FIRST, CLEAN.but(model="Dal"), OLD_DAY), valued(now, CLEAN, NEW_DAY)
    # exp(8.234) = 3766.87 → exp(8.354) = 4247.14: the mean 4002.20 times .07 (and .01 that remains) and .05.
    assert said(moved(old, new, now, FIRST)) == [("market", None, "280.16"), ("instrument", None, "200.11")]
    assert said(moved(old, new, now)) == [("instrument", None, "480.27")]


def test_a_name_that_is_spelled_otherwise_is_no_change() -> None:
    kept = valued(FIRST, CLEAN, OLD_DAY)
    old = kept._replace(subject=kept.subject.but(model="fjell 2", maker="ostvik"))
    assert said(moved(old, kept, FIRST)) == []


GRADES = st.none() | st.sampled_from([0.0, 1.0, 2.5, 5.0])
THINGS = st.fixed_dictionaries(
    {
        "maker": st.just("Ostvik"),
        "model": st.sampled_from(["Fjell 2", "Dal"]),
        "condition_top": GRADES,
        "condition_frets": GRADES,
        "figure": GRADES,
        "originality_pickups": st.sampled_from([None, "original", "modern", "missing"]),
    }
).map(lambda drawn: Instrument(**drawn))
STATES = st.tuples(
    THINGS,
    st.dates(date(2021, 1, 1), date(2026, 6, 1)),
    st.sampled_from(["USD", "EUR", "JPY", "KWD"]),
    st.sampled_from(["private", "dealer", "auction"]),
)


@settings(max_examples=300)
@given(STATES, STATES, st.floats(-8, 16), st.floats(-1, 1), st.booleans())
def test_amounts_sum_to_the_difference_to_the_cent(
    before: tuple[Instrument, date, str, str],
    after: tuple[Instrument, date, str, str],
    base: float,
    apart: float,
    gone: bool,
) -> None:
    first, second = valuer("v1", base), valuer("v2", base + apart)
    old, new = valued(first, *before), valued(second, *after)
    move = moved(old, new, second, *([] if gone else [first]))
    assert sum((part.amount for part in move.parts), move.before) == new.value
    assert move.difference == new.value - move.before
    if before[2] == after[2]:
        assert move.before == old.value
    changed = {name for name, a, b in zip(Instrument._fields, before[0], after[0], strict=True) if a != b}
    told = {part.field.replace(".", "_") for part in move.parts if part.field}
    assert told == (changed if "model" not in changed else set())


def test_moves_of_a_batch_are_those_of_each_alone() -> None:
    pairs = [
        (valued(FIRST, CLEAN, OLD_DAY), valued(SECOND, WORN, NEW_DAY, "EUR")),
        (valued(SECOND, WORN, OLD_DAY), valued(SECOND, CLEAN, NEW_DAY)),
        (valued(valuer("v0"), CLEAN, OLD_DAY), valued(SECOND, CLEAN.but(model="Dal"), NEW_DAY)),
    ]
    together = movements(pairs, SECOND, {"v1": FIRST}.get)
    assert together == [movements([pair], SECOND, {"v1": FIRST}.get)[0] for pair in pairs]
    assert movements([], SECOND, {}.get) == []


@pytest.mark.parametrize("cause", list(Cause))
def test_every_cause_has_a_meaning(cause: Cause) -> None:
    from models.decisions.movement import MEANINGS

    assert MEANINGS[cause]
