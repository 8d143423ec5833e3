"""Money: rounded half up to the currency's unit, converted at the rate of the day, split without loss."""

from __future__ import annotations

import io
import math
from datetime import date
from decimal import Decimal

import numpy as np
import pytest
from fakes import RATES
from hypothesis import given
from hypothesis import strategies as st

from models.domain.money import Rates, log_mean, minor_units, round_money, split_money
from models.errors import RateError

amounts = st.floats(1, 1e7).map(lambda x: round_money(x, "USD"))
effects = st.lists(st.floats(-2, 2), min_size=1, max_size=33)


@pytest.mark.parametrize(
    ("amount", "currency", "rounded"),
    [
        (Decimal("2.345"), "USD", "2.35"),  # half to even would give 2.34
        (Decimal("2.335"), "USD", "2.34"),
        (Decimal("2.5"), "JPY", "3"),
        (Decimal("1.2345"), "KWD", "1.235"),
        (Decimal("-2.345"), "USD", "-2.35"),
        (0.125, "EUR", "0.13"),
    ],
)
def test_amounts_are_rounded_half_up_to_the_unit_of_the_currency(
    amount: float | Decimal, currency: str, rounded: str
) -> None:
    assert str(round_money(amount, currency)) == rounded


@given(amounts, amounts, effects)
def test_the_lines_of_a_split_sum_to_the_difference_exactly(
    value: Decimal, reference: Decimal, parts: list[float]
) -> None:
    lines = split_money(value, reference, parts, "USD")
    assert sum(lines, Decimal(0)) == value - reference
    assert all(line == line.quantize(Decimal("0.01")) for line in lines)


@given(amounts, amounts, effects)
def test_every_line_but_the_largest_is_its_share_to_half_a_cent(
    value: Decimal, reference: Decimal, parts: list[float]
) -> None:
    """The share is L(value, reference)·effect, L by its integral: the mean of value^t·reference^(1−t)."""
    t = (np.arange(20_000) + 0.5) / 20_000
    mean = float(np.mean(float(value) ** t * float(reference) ** (1 - t)))
    lines = split_money(value, reference, parts, "USD")
    largest = max(range(len(parts)), key=lambda i: abs(parts[i]))
    for i, (line, effect) in enumerate(zip(lines, parts, strict=True)):
        if i != largest:
            assert float(line) == pytest.approx(mean * effect, abs=0.0051 + 1e-7 * abs(mean))


def test_no_effects_give_no_lines() -> None:
    assert split_money(Decimal(5), Decimal(5), [], "USD") == ()


def test_yen_have_no_smaller_unit() -> None:
    assert split_money(Decimal(1200), Decimal(1000), [math.log(1.5), math.log(0.8)], "JPY") == (445, -245)


@given(st.floats(1e-2, 1e8), st.floats(1e-2, 1e8))
def test_the_logarithmic_mean_lies_between_the_geometric_and_the_arithmetic(a: float, b: float) -> None:
    """A known inequality: √(ab) ≤ L(a, b) ≤ (a + b) / 2."""
    mean = log_mean(a, b)
    assert math.sqrt(a * b) * (1 - 1e-12) <= mean <= (a + b) / 2 * (1 + 1e-12)
    assert mean == pytest.approx(log_mean(b, a), rel=1e-12)


def test_the_logarithmic_mean_keeps_its_digits_near_equality() -> None:
    assert log_mean(1000.0, 1000.0 + 1e-9) == pytest.approx(1000.0, rel=1e-12)
    assert log_mean(7.0, 7.0) == 7.0


# ── rates ────────────────────────────────────────────────────────────────────


def test_the_rate_of_a_day_is_the_last_one_quoted() -> None:
    assert RATES.usd_per("EUR", date(2020, 1, 1)) == 1.25
    assert RATES.usd_per("EUR", date(2024, 6, 1)) == 1.25
    assert RATES.usd_per("EUR", date(2026, 1, 2)) == 1.1
    assert RATES.usd_per("EUR", date(2031, 1, 1)) == 1.1
    assert RATES.usd_per("USD", date(1950, 1, 1)) == 1.0


def test_a_day_before_all_rates_and_a_currency_without_one_are_refused() -> None:
    with pytest.raises(RateError, match="2019-12-31"):
        RATES.usd_per("EUR", date(2019, 12, 31))
    with pytest.raises(RateError, match="EUR, JPY, KWD"):
        RATES.usd_per("QQQ", date(2024, 1, 1))


def test_a_currency_that_is_no_longer_quoted_is_refused() -> None:
    gone = Rates(np.array([737000, 737001]), {"OLD": np.array([2.0, np.nan])})
    with pytest.raises(RateError):
        gone.usd_per("OLD", date.fromordinal(737005))


@pytest.mark.parametrize("rates", [RATES, Rates(np.zeros(0, dtype=np.int64), {})])
def test_rates_survive_their_bytes(rates: Rates) -> None:
    again = Rates.from_bytes(rates.to_bytes())
    assert again.currencies == rates.currencies and again.last_day == rates.last_day
    for code in rates.usd:
        np.testing.assert_array_equal(again.usd[code], rates.usd[code])
    assert rates.to_bytes() == again.to_bytes()


def test_a_quote_names_the_day_and_the_source_of_its_rate() -> None:
    assert RATES.quote("EUR", date(2024, 6, 1)) == (1.25, date(2020, 1, 1), "invented for the tests")
    assert RATES.quote("EUR", date(2031, 1, 1)) == (1.1, date(2026, 1, 2), "invented for the tests")
    assert RATES.quote("USD", date(1950, 1, 1)) == (1.0, date(1950, 1, 1), "none needed")
    assert Rates.from_bytes(RATES.to_bytes()).source == "invented for the tests"


def test_rates_without_a_source_of_an_earlier_bundle_say_that_none_was_recorded() -> None:
    out = io.BytesIO()
    np.savez_compressed(out, days=RATES.days, names=np.array(["EUR"]), usd=np.array([[1.25, 1.1]]))
    old = Rates.from_bytes(out.getvalue())
    assert old.quote("EUR", date(2026, 1, 2)).source == "not recorded in this price model"


def test_minor_units_default_to_two() -> None:
    assert minor_units("EUR") == 2
