"""Exchange rates from the bank's table."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from models.domain.money import Rates
from models.errors import RateError
from training.rates import load_rates, rates_from_csv

TABLE = """Date,USD,JPY,HRK,
2023-01-04,1.06,139.0,N/A,
2023-01-03,1.05,138.0,7.5,
2022-12-30,1.07,140.0,7.5,
"""


def test_rates_are_dollars_for_one_unit_by_hand() -> None:
    rates = rates_from_csv(TABLE)
    assert rates.usd_per("EUR", date(2023, 1, 3)) == 1.05
    assert rates.usd_per("JPY", date(2022, 12, 30)) == pytest.approx(1.07 / 140.0)
    assert rates.usd_per("USD", date(2022, 12, 30)) == 1.0


def test_a_day_without_a_quote_takes_the_last_before_it() -> None:
    rates = rates_from_csv(TABLE)
    assert rates.usd_per("EUR", date(2023, 1, 1)) == 1.07
    assert rates.usd_per("EUR", date(2023, 2, 1)) == 1.06
    with pytest.raises(RateError, match="2022-12-29"):
        rates.usd_per("EUR", date(2022, 12, 29))


def test_short_gaps_are_bridged_and_ended_currencies_end() -> None:
    days = [date(2023, 1, 3) + timedelta(days=n) for n in range(20)]
    lines = [f"{day},1.05,138,{'7.5' if day.day == 3 else 'N/A'}," for day in days]
    rates = rates_from_csv("\n".join(["Date,USD,JPY,HRK,", *lines]))
    assert rates.usd_per("HRK", date(2023, 1, 13)) == pytest.approx(1.05 / 7.5)
    with pytest.raises(RateError):
        rates.usd_per("HRK", date(2023, 1, 14))


def test_the_packaged_history_covers_the_demo_market_and_survives_a_round_trip() -> None:
    rates = load_rates()
    assert {"USD", "EUR", "GBP", "JPY"} <= set(rates.currencies)
    assert rates.last_day is not None and rates.last_day >= date(2026, 6, 30)
    # Quoted by the bank on 2020-01-02: 1.1193 dollars for one euro (memory).
    assert rates.usd_per("EUR", date(2020, 1, 2)) == pytest.approx(1.1193)
    back = Rates.from_bytes(rates.to_bytes())
    assert back.usd_per("JPY", date(2015, 5, 5)) == rates.usd_per("JPY", date(2015, 5, 5))
