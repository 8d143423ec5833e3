"""True of every offer: the terms hold at the most to pay, and one smallest amount more breaks them."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from models.decisions.offers import NOTHING, ceiling_of, profits
from models.decisions.resale import Resale
from models.decisions.terms import OfferTerms
from models.domain.money import quantum

_CENT = Decimal("0.01")


def rates(most: str) -> st.SearchStrategy[Decimal]:
    return st.decimals(0, most, places=3)


terms = st.builds(
    OfferTerms,
    wanted_margin_rate=rates("1"),
    accepted_risk_of_loss=st.decimals("0.005", 1, places=3),
    selling_fee_rate=rates("0.3"),
    payment_fee_rate=rates("0.1"),
    tax_rate=rates("0.3"),
    shipping=st.decimals(0, 500, places=2),
    work=st.decimals(0, 500, places=2),
    months_to_sell=st.decimals(0, 120, places=1),
    cost_of_money_rate=rates("0.5"),
)
prices = st.lists(st.floats(1, 20_000), min_size=1, max_size=30)


def holds(resale: Resale, paid: Decimal, on: OfferTerms, slack: float) -> bool:
    found = profits(resale, float(paid), on)
    margin = found.mean() >= float(on.wanted_margin_rate * paid) - slack
    return bool(margin and (found < -slack).mean() <= float(on.accepted_risk_of_loss) + 1e-12)


@given(prices, terms, st.sampled_from(["USD", "JPY", "KWD"]))
def test_the_most_to_pay_is_the_highest_at_which_the_terms_hold(
    found: list[float], on: OfferTerms, currency: str
) -> None:
    resale = Resale(np.sort(np.array(found)))
    ceiling = ceiling_of(resale, on, currency)
    *rest, last = ceiling.steps
    assert sum(step.amount for step in rest) == last.amount == ceiling.most_to_pay >= 0
    assert sum(step.amount for step in ceiling.deal.steps) == ceiling.deal.expected_profit
    assert all(step.amount == step.amount.quantize(quantum(currency)) for step in ceiling.steps)
    if ceiling.set_by == NOTHING:
        assert ceiling.most_to_pay == 0 and not holds(resale, Decimal(0), on, -1e-6)
    else:
        assert holds(resale, ceiling.most_to_pay, on, 1e-6)
        assert not holds(resale, ceiling.most_to_pay + quantum(currency), on, -1e-6)


@given(prices, terms, terms)
def test_a_higher_fee_or_risk_moves_the_most_to_pay_the_right_way(
    found: list[float], on: OfferTerms, other: OfferTerms
) -> None:
    resale = Resale(np.sort(np.array(found)))
    worse = OfferTerms(
        **{
            name: min(value, getattr(other, name))
            if name == "accepted_risk_of_loss"
            else max(value, getattr(other, name))
            for name, value in vars(on).items()
        }
    )
    assert ceiling_of(resale, worse, "USD").most_to_pay <= ceiling_of(resale, on, "USD").most_to_pay
