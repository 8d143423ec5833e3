"""Records that are hard to believe, and those that are not: limits counted by hand for the fake."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel

from models.domain.catalogue import read_catalogue
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument
from models.valuation.plausibility import GivenRange, outcome_warnings, warnings_of
from models.valuation.valuer import Valuer

VALUER = Valuer(FakePriceModel(), CATALOGUE, RATES, "fake")
TODAY = date(2026, 6, 30)


def sale(
    price: str, day: str = "2025-06-01", currency: str = "USD", kind: str = "sale", **it: object
) -> Evidence:
    instrument = Instrument("Ostvik", "Dal", **it)  # type: ignore[arg-type]
    return Evidence("S", kind, date.fromisoformat(day), Decimal(price), currency, "private", "", instrument)


def codes(e: Evidence, valuer: Valuer | None = VALUER) -> list[str]:
    return [one.code for one in warnings_of([e], CATALOGUE, TODAY, valuer)[0]]


# The fake says exp(8) = 2,980.96 USD of a Dal with no details: a fifth is 596.19, five times 14,904.79.
@pytest.mark.parametrize("kind", ["sale", "asking", "offer"])
@pytest.mark.parametrize(
    ("price", "said"),
    [
        ("596.19", ["price_low"]),
        ("596.20", []),
        ("2980.96", []),
        ("8900", []),  # three times: as first askings are
        ("14904.78", []),
        ("14904.80", ["price_high"]),
        ("0.01", ["price_low"]),
    ],
)
def test_a_price_is_doubted_from_five_times_and_from_a_fifth(
    price: str, kind: str, said: Sequence[str]
) -> None:
    assert codes(sale(price, kind=kind)) == said


def test_a_price_is_held_against_the_instrument_in_its_own_currency_and_on_its_day() -> None:
    # Four steps of wear: exp(7.6) = 1,998.20 USD, at 0.008 for a yen 249,774.49 yen, and a fifth 49,954.9.
    assert codes(sale("49954", currency="JPY", condition_neck=4.0)) == ["price_low"]
    assert codes(sale("49956", currency="JPY", condition_neck=4.0)) == []
    # From 2 January 2026 on the yen counts 0.0065, so that a fifth is 61,483.
    assert codes(sale("61482", day="2026-02-01", currency="JPY", condition_neck=4.0)) == ["price_low"]
    assert codes(sale("61484", day="2026-02-01", currency="JPY", condition_neck=4.0)) == []


def test_the_sentence_names_field_value_what_is_usual_and_the_next_step() -> None:
    (told,) = warnings_of([sale("12.5")], CATALOGUE, TODAY, VALUER)[0]
    assert told == (
        "price_low",
        "price",
        "price: 12.5 USD is at most a fifth of the 2,980.96 USD that the price model expects for this "
        "instrument, day and channel; usual is 596.19 USD to 14,904.80 USD. "
        "Correct the record, or confirm it if it is right.",
    )


@pytest.mark.parametrize(
    ("day", "year", "said"),
    [
        ("1961-12-31", None, ["date_before_made"]),  # the catalogue: from 1962
        ("1962-01-01", None, []),
        ("1962-01-01", 1963, ["date_before_made"]),
        ("1963-01-01", 1963, []),
        ("1962-01-01", 1960, []),  # a year before the catalogue's: that is no matter of the date
        ("2026-06-30", None, []),
        ("2026-07-01", None, ["date_in_future"]),
        ("2026-07-01", 2027, ["date_before_made", "date_in_future"]),
    ],
)
def test_a_day_before_it_was_made_or_in_the_future(day: str, year: int | None, said: list[str]) -> None:
    assert codes(sale("3000", day, year=year)) == said
    assert codes(sale("3000", day, year=year), None) == said


def test_the_day_is_told_with_what_it_is_held_against() -> None:
    ((first,), (second,)) = warnings_of(
        [sale("3000", "1950-05-01"), sale("3000", "1950-05-01", year=1965)], CATALOGUE, TODAY
    )
    assert (
        "1950-05-01 is before 1962, the first year of Dal in the catalogue; usual is a day in 1962"
        in first.message
    )
    assert "1950-05-01 is before 1965, the year of this instrument; usual is a day in 1965" in second.message


def test_without_a_price_model_that_knows_it_no_price_is_doubted() -> None:
    newer = read_catalogue(
        CATALOGUE.source + '[[model]]\nmaker = "Ostvik"\nname = "Vik"\nfirst_year = 1980\nlast_year = 1990\n'
    )
    vik = Evidence(
        "V", "sale", date(2025, 1, 1), Decimal(1), "USD", "private", "", Instrument("Ostvik", "Vik")
    )
    assert warnings_of([vik, sale("1")], newer, TODAY, VALUER)[0] == ()
    assert [w.code for w in warnings_of([vik, sale("1")], newer, TODAY, VALUER)[1]] == ["price_low"]
    assert codes(sale("1"), None) == []
    assert codes(sale("1", currency="EUR", day="2019-06-01")) == []  # no rate is known of that day


GIVEN = GivenRange(date(2025, 1, 10), "USD", Decimal(2000), Decimal(4000))


@pytest.mark.parametrize(
    ("price", "currency", "day", "said"),
    [
        ("400", "USD", "2025-02-01", ["outcome_far_from_range"]),
        ("400.01", "USD", "2025-02-01", []),
        ("19999.99", "USD", "2025-02-01", []),
        ("20000", "USD", "2025-02-01", ["outcome_far_from_range"]),
        ("320", "EUR", "2025-02-01", ["outcome_far_from_range"]),  # 1.25 USD each
        ("321", "EUR", "2025-02-01", []),
        ("3000", "USD", "2025-01-09", []),  # the day before: elsewhere it is the same day
        ("3000", "USD", "2025-01-08", ["outcome_before_value"]),
        ("0.01", "USD", "2001-01-08", ["outcome_before_value", "outcome_far_from_range"]),
        ("3", "EUR", "2001-01-08", ["outcome_before_value"]),  # no rate is known of that day
    ],
)
def test_an_outcome_far_from_what_was_said_before(
    price: str, currency: str, day: str, said: list[str]
) -> None:
    found = outcome_warnings(sale(price, day, currency), GIVEN, RATES)
    assert [one.code for one in found] == said
    assert all(one.message.startswith(f"{one.field}: ") for one in found)
