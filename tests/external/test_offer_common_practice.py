"""A dealer's offer against the resale price: common practice, a rule of thumb with no source."""

from __future__ import annotations

from decimal import Decimal
from statistics import NormalDist

import numpy as np
import pytest

from models.decisions.offers import ceiling_of
from models.decisions.resale import Resale
from models.decisions.terms import OfferTerms

EXPECTED = 6250.0
# Ordinary terms of a dealer who sells on consignment sites and from the shop, and finances the stock.
ORDINARY = OfferTerms(
    wanted_margin_rate=Decimal("0.25"),
    accepted_risk_of_loss=Decimal("0.2"),
    selling_fee_rate=Decimal("0.05"),
    payment_fee_rate=Decimal("0.03"),
    shipping=Decimal("150"),
    work=Decimal("150"),
    tax_rate=Decimal("0.1"),
    months_to_sell=Decimal("6"),
    cost_of_money_rate=Decimal("0.08"),
)


@pytest.mark.parametrize("sd", [0.12, 0.2])
def test_the_ceiling_is_about_what_dealers_offer(sd: float) -> None:
    """0.6–0.65 of the best price expected on resale (common practice), with some room: 0.55–0.70."""
    logs = [NormalDist(0, sd).inv_cdf((k + 0.5) / 1000) for k in range(1000)]
    found = ceiling_of(Resale(np.exp(logs)).around(EXPECTED), ORDINARY, "USD")
    assert found.steps[0].amount == Decimal("6250.00")
    assert Decimal("0.55") <= found.most_to_pay / Decimal("6250.00") <= Decimal("0.70")
