"""Money and names against values published outside the project, or worked by hand from a published rule."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest

from models.domain.money import log_mean, minor_units, quantum, split_money


def test_the_log_mean_split_of_a_multiplicative_change() -> None:
    """Ang (2005), Energy Policy 33: amountⱼ = L(V, R)·φⱼ. R = 1000, factors 1.5 and 0.8, worked by hand:
    V = 1200, L = 200 / .1823216 = 1096.963; 1096.963 × .4054651 = 444.780, 1096.963 × −.2231436 = −244.780.
    """
    assert log_mean(1200, 1000) == pytest.approx(1096.963, abs=5e-4)
    effects = [math.log(1.5), math.log(0.8)]
    lines = split_money(
        Decimal("1200.000"), Decimal("1000.000"), effects, "KWD"
    )  # a currency of three decimals
    assert lines == (Decimal("444.780"), Decimal("-244.780"))
    assert split_money(Decimal("1200.00"), Decimal("1000.00"), effects, "USD") == (
        Decimal("444.78"),
        Decimal("-244.78"),
    )


def test_the_log_mean_of_equal_amounts_is_the_amount() -> None:
    """Ang (2005): L(a, a) = a, by definition."""
    assert log_mean(1096.963, 1096.963) == 1096.963


@pytest.mark.parametrize(("currency", "digits"), [("JPY", 0), ("USD", 2), ("KWD", 3), ("EUR", 2)])
def test_minor_units_of_iso_4217(currency: str, digits: int) -> None:
    """ISO 4217, list one: JPY 0, USD 2, KWD 3; EUR 2 from memory."""
    assert minor_units(currency) == digits
    assert quantum(currency) == Decimal(10) ** -digits


@pytest.mark.parametrize(("currency", "digits"), [("BHD", 3), ("ISK", 0), ("CLF", 4), ("GBP", 2), ("KRW", 0)])
def test_more_minor_units_of_iso_4217(currency: str, digits: int) -> None:
    """ISO 4217, list one, quoted from memory."""
    assert minor_units(currency) == digits
