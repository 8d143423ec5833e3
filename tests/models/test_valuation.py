"""From the model's logs to money: ranges, amounts that add up, currencies, what was assumed or is unknown."""

from __future__ import annotations

import math
from datetime import date
from decimal import Decimal
from typing import NoReturn

import pytest
from fakes import CATALOGUE, RATES, FakePriceModel

from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import DEFAULT_LEVELS, Family
from models.errors import InputError, UnknownNameError
from models.valuation.levels import check_levels
from models.valuation.valuer import ValueEstimate, Valuer

VALUER = Valuer(FakePriceModel(), CATALOGUE, RATES, "v1")
DAY = date(2026, 1, 2)
WORN = Instrument(
    "ostvik", "FJELL 2", condition_neck=4.0, originality_pickups="modern", figure=3.0, year=1965
)


def subject(it: Instrument = WORN, day: date = DAY, channel: str = "private") -> Subject:
    return Subject(it, day, channel)


def test_the_value_is_the_median_in_money_and_the_names_are_the_catalogues() -> None:
    found = VALUER.value(subject())
    # By hand: 8 − .1·4 (neck) − .1·2 (pickups) + .2·3 (figure) = 8.0
    assert found.value == Decimal("2980.96")
    assert (found.instrument.maker, found.instrument.model) == ("Ostvik", "Fjell 2")
    # The reference: six parts of light wear, 8 − .1·2·6 = 6.8
    assert found.reference_value == Decimal("897.85")
    assert found.model_version == "v1"


def test_family_amounts_sum_to_value_minus_reference_and_fields_to_their_family() -> None:
    found = VALUER.value(subject())
    assert [f.family for f in found.families] == list(Family)
    assert sum(f.amount for f in found.families) == found.value - found.reference_value
    for family in found.families:
        assert sum((f.amount for f in family.factors), Decimal(0)) == family.amount
        assert math.fsum(f.effect for f in family.factors) == pytest.approx(family.effect, abs=1e-12)
    assert found.reference_value * Decimal(math.exp(sum(f.effect for f in found.families))) == pytest.approx(
        found.value, rel=Decimal("1e-4")
    )


def test_ranges_alone_are_the_same_figures_and_nothing_is_explained_for_them() -> None:
    class Silent(FakePriceModel):
        def effects(self, subjects: object, references: object) -> NoReturn:
            raise AssertionError("nobody asked for effects")

    found = Valuer(Silent(), CATALOGUE, RATES, "v1").ranged(subject(), "EUR", (0.8, 0.5))
    whole = VALUER.value(subject(), "EUR", (0.8, 0.5))
    assert isinstance(whole, ValueEstimate)
    # Which details much of the value rests on, only an explained answer knows.
    told = {**vars(whole), "cautions": tuple(c for c in whole.cautions if c.code != "claims_need_documents")}
    assert vars(found) == {name: value for name, value in told.items() if name in vars(found)}
    assert len(whole.cautions) == len(found.cautions) + 1
    assert {"value", "intervals", "evidence", "cautions"} < set(vars(found)) < set(vars(whole))


def test_a_factor_says_what_was_seen_and_what_the_reference_has() -> None:
    factors = {f.field: f for family in VALUER.value(subject()).families for f in family.factors}
    neck = factors["condition.neck"]
    assert (neck.observed, neck.reference, neck.effect) == (4.0, 2.0, pytest.approx(-0.2))
    assert neck.amount < 0 < factors["figure"].amount
    assert "serial" not in factors and "day" not in factors


def test_ranges_nest_and_hold_the_value() -> None:
    found = VALUER.value(subject(), levels=DEFAULT_LEVELS)
    assert [i.level for i in found.intervals] == list(DEFAULT_LEVELS)
    lows, highs = [i.low for i in found.intervals], [i.high for i in found.intervals]
    assert lows == sorted(lows, reverse=True) and highs == sorted(highs)
    assert lows[0] <= found.value <= highs[0]


def test_another_currency_is_the_same_value_at_the_rate_of_the_day() -> None:
    dollars = VALUER.value(subject())
    euros = VALUER.value(subject(), "EUR")
    assert (euros.rate, euros.rate_day, euros.rate_source) == (1.1, DAY, "invented for the tests")
    assert abs(euros.value - dollars.value / Decimal("1.1")) <= Decimal("0.01")
    old = VALUER.value(subject(day=date(2021, 1, 1)), "EUR")
    assert (old.rate, old.rate_day) == (1.25, date(2020, 1, 1))
    assert "rate_older_than_value" in {c.code for c in old.cautions}
    assert "rate_older_than_value" not in {c.code for c in euros.cautions}
    assert (dollars.rate, dollars.rate_day, dollars.rate_source) == (1.0, DAY, "none needed")
    yen = VALUER.value(subject(), "JPY")
    assert yen.value == yen.value.to_integral_value() and yen.value == Decimal(458609)  # e⁸ / .0065
    assert VALUER.value(subject(), "KWD").value.as_tuple().exponent == -3


def test_a_currency_without_a_rate_is_an_input_error_that_lists_the_others() -> None:
    with pytest.raises(InputError, match="USD, EUR, JPY, KWD") as caught:
        VALUER.value(subject(), "QQQ")
    assert caught.value.faults[0].field == "currency"
    with pytest.raises(InputError, match="2019"):
        VALUER.value(subject(day=date(2019, 1, 1)), "EUR")


def test_an_unknown_model_is_refused() -> None:
    with pytest.raises(UnknownNameError):
        VALUER.value(subject(Instrument("Ostvik", "Fjall 9")))


def test_a_batch_equals_its_rows_one_by_one_in_any_order() -> None:
    rows = [
        subject(WORN.but(condition_neck=float(n % 6)), channel=("private", "dealer")[n % 2]) for n in range(9)
    ]
    batch = VALUER.value_all(rows)
    assert batch == [VALUER.value(row) for row in rows]
    assert VALUER.value_all(rows[::-1]) == batch[::-1]
    assert VALUER.value_all([]) == []


def test_each_of_a_batch_can_have_a_currency_of_its_own() -> None:
    found = VALUER.value_all([subject(), subject()], ["EUR", "JPY"])
    assert found == [VALUER.value(subject(), "EUR"), VALUER.value(subject(), "JPY")]
    with pytest.raises(InputError):
        VALUER.value_all([subject(), subject()], ["EUR", "QQQ"])


def test_what_was_not_given_and_taken_for_one_value_is_reported_as_assumed() -> None:
    assumed = {a.field: a.value for a in VALUER.value(subject()).assumed}
    # The fake's reference has no finish, weight, history or paperwork of its own.
    assert assumed == {"edition": "standard", "build": "production"}
    known = WORN.but(build="prototype", edition="Solverv")
    assert VALUER.value(subject(known)).assumed == ()
    plain = VALUER.value(subject(WORN.but(figure=None))).assumed
    assert [(a.field, a.value) for a in plain if a.field == "figure"] == [("figure", "0")]


def test_unknown_is_what_could_be_known() -> None:
    unknown = VALUER.value(subject()).unknown
    assert "condition.top" in unknown and "serial" in unknown
    assert not {"condition.neck", "edition", "edition_number", "build"} & set(unknown)
    assert "edition_number" in VALUER.value(subject(WORN.but(edition="Solverv"))).unknown
    plain = VALUER.value(subject(Instrument("Ostvik", "Dal"))).unknown
    assert "figure" not in plain and "figure" in VALUER.value(subject(WORN.but(figure=None))).unknown


def test_a_value_is_never_below_the_smallest_amount() -> None:
    poor = Valuer(FakePriceModel(base=-12.0), CATALOGUE, RATES, "v1").value(subject())
    assert poor.value == Decimal("0.01") and all(i.low > 0 for i in poor.intervals)
    assert sum(f.amount for f in poor.families) == poor.value - poor.reference_value


def test_levels_are_checked_once_for_all_callers() -> None:
    assert check_levels([0.8, 0.5, 0.8]) == (0.8, 0.5)
    for wrong in ([], [0.0], [1.0], [80], ["0.8"], [True], [float("nan")], [0.5] * 21):
        with pytest.raises(InputError) as caught:
            check_levels(wrong)
        assert caught.value.faults[0].field == "levels"
