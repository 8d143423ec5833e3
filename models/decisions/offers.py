"""The arithmetic of an offer: the most to pay, line by line, from resale prices and the buyer's terms.

With S the resale price, p the price paid and the terms of `models.decisions.terms`:

profit(S, p) = S · (1 − selling fee − payment fee) − tax · max(S − p, 0) − (p + shipping + work) · growth
growth = (1 + cost of money a year) ^ (months to sell / 12)

The most to pay is the highest p, to the currency's smallest amount, at which the mean of the profit over all
resale prices is at least the wanted margin times p, and the share of resale prices with a profit below 0 is
at most the accepted risk. `docs/offers.md` works an example by hand.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from models.decisions.resale import Resale, quantiles
from models.decisions.terms import OfferTerms
from models.domain.money import quantum, round_money
from models.price.core.basis import Floats

MARGIN, RISK, NOTHING = "margin", "risk", "nothing"
# What sets the most to pay → its meaning.
LIMITS = {
    MARGIN: "one smallest amount more, and the wanted margin is not met in expectation",
    RISK: "one smallest amount more, and the chance of a loss is above the accepted risk",
    NOTHING: "the terms do not hold even where nothing is paid: the most to pay is 0",
}
CHANCES = (0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95)  # The quantiles that are told of a profit.
_ROUGH = 1e-6  # The share of the smallest amount by which floats may miss a profit of exactly 0.


@dataclass(frozen=True)
class OfferStep:
    """One line of the arithmetic: its name, its amount, and a sentence."""

    name: str
    amount: Decimal
    text: str


@dataclass(frozen=True)
class ProfitQuantile:
    """An amount below which a share `chance` of cases lies."""

    chance: float
    amount: Decimal


@dataclass(frozen=True)
class Deal:
    """A purchase at the price `paid`: its profit and the chance of a loss.

    `steps`: lines from the expected resale price to the profit; they sum to `expected_profit` exactly.
    `expected_margin`: the expected profit as a share of the price paid, None where nothing is paid.
    """

    paid: Decimal
    expected_profit: Decimal
    expected_margin: float | None
    quantiles: tuple[ProfitQuantile, ...]
    chance_of_loss: float
    steps: tuple[OfferStep, ...]


@dataclass(frozen=True)
class Ceiling:
    """The most to pay, what sets it (one of `LIMITS`), the deal at it, and the wanted margin in money.

    `steps`: lines from the expected resale price to the most to pay; all but the last sum to the last.
    """

    most_to_pay: Decimal
    set_by: str
    deal: Deal
    wanted: Decimal
    steps: tuple[OfferStep, ...]


def profits(resale: Resale, paid: float, terms: OfferTerms) -> Floats:
    """Return the (n,) profits of a purchase at this price, one for each resale price."""
    kept = float(1 - terms.selling_fee_rate - terms.payment_fee_rate)
    tax = float(terms.tax_rate) * np.maximum(resale.prices - paid, 0.0)
    laid_out = paid + float(terms.shipping + terms.work)
    return np.asarray(resale.prices * kept - tax - laid_out * float(terms.growth))


def most_to_pay(resale: Resale, terms: OfferTerms, currency: str) -> tuple[Decimal, str]:
    """Return the most to pay and what sets it, found by halving: a higher price never does better."""
    unit = float(quantum(currency))

    def broken(units: int) -> str | None:
        paid = units * unit
        found = profits(resale, paid, terms)
        if float(found.mean()) < float(terms.wanted_margin_rate) * paid - _ROUGH * unit:
            return MARGIN
        losses = int((found < -_ROUGH * unit).sum())
        return RISK if losses > int(terms.accepted_risk_of_loss * len(found)) else None

    if broken(0):
        return round_money(0, currency), NOTHING
    good, bad = 0, int(resale.prices[-1] / unit) + 2  # Whoever pays more than every resale price loses.
    while bad - good > 1:
        middle = (good + bad) // 2
        good, bad = (good, middle) if broken(middle) else (middle, bad)
    return round_money(good * quantum(currency), currency), broken(bad) or MARGIN


def deal_at(resale: Resale, paid: Decimal, terms: OfferTerms, currency: str) -> Deal:
    """Return the deal of a purchase at this price. Its steps are rounded, and their sum is the profit."""
    found = profits(resale, float(paid), terms)
    steps = _costs(resale, paid, terms, currency)
    expected = sum((step.amount for step in steps), Decimal(0)) - paid
    ascending = np.sort(found)
    unit = float(quantum(currency))
    told = zip(CHANCES, quantiles(ascending, CHANCES), strict=True)
    return Deal(
        paid,
        expected,
        float(expected / paid) if paid else None,
        tuple(ProfitQuantile(chance, round_money(amount, currency)) for chance, amount in told),
        float((found < -_ROUGH * unit).mean()),
        (*steps, _step("paid", -paid, "the price paid")),
    )


def ceiling_of(resale: Resale, terms: OfferTerms, currency: str) -> Ceiling:
    """Return the most to pay with its deal, and the lines that lead to it from the expected resale price."""
    most, set_by = most_to_pay(resale, terms, currency)
    deal = deal_at(resale, most, terms, currency)
    wanted = round_money(terms.wanted_margin_rate * most, currency)
    # Where the margin sets the price, it takes what the rounding of the other lines leaves over.
    margin = deal.expected_profit if set_by == MARGIN else wanted
    kept_back = deal.expected_profit - margin
    steps = (
        *deal.steps[:-1],
        _step("wanted_margin", -margin, f"the wanted margin: {_percent(terms.wanted_margin_rate)} of it"),
        _step("kept_back", -kept_back, _KEPT_BACK[set_by]),
        OfferStep("most_to_pay", most, "the most to pay"),
    )
    return Ceiling(most, set_by, deal, wanted, steps)


_KEPT_BACK = {
    MARGIN: "nothing more is kept back: the chance of a loss is within the accepted risk",
    RISK: "what is kept back beyond the margin, so that the chance of a loss is within the accepted risk",
    NOTHING: "what is left over, or missing, where nothing is paid: the terms do not hold even then",
}


def _costs(resale: Resale, paid: Decimal, terms: OfferTerms, currency: str) -> tuple[OfferStep, ...]:
    """Return the lines from the expected resale price to what is left before the price paid."""
    mean, laid_out = Decimal(resale.mean), paid + terms.shipping + terms.work
    months = _plain(terms.months_to_sell)
    gain = Decimal(float(np.maximum(resale.prices - float(paid), 0.0).mean()))
    lines: Sequence[tuple[str, Decimal, str]] = (
        ("expected_resale", mean, "the mean of all resale prices that the price model expects"),
        (
            "selling_fee",
            -terms.selling_fee_rate * mean,
            f"the fee for selling: {_percent(terms.selling_fee_rate)} of the expected resale",
        ),
        (
            "payment_fee",
            -terms.payment_fee_rate * mean,
            f"the fee for the payment: {_percent(terms.payment_fee_rate)} of the expected resale",
        ),
        (
            "tax",
            -terms.tax_rate * gain,
            f"the tax on the margin: {_percent(terms.tax_rate)} of the mean of resale price minus price "
            "paid, where that is above 0",
        ),
        ("shipping", -terms.shipping, "shipping and insurance"),
        ("work", -terms.work, "parts and labour"),
        (
            "cost_of_money",
            -laid_out * (terms.growth - 1),
            f"the cost of the money laid out (price paid, shipping and work) over {months} months at "
            f"{_percent(terms.cost_of_money_rate)} a year, compounded",
        ),
    )
    return tuple(_step(name, round_money(amount, currency), text) for name, amount, text in lines)


def _step(name: str, amount: Decimal, text: str) -> OfferStep:
    return OfferStep(name, amount + 0, text)  # An amount of −0 would be printed as such.


def _percent(rate: Decimal) -> str:
    return f"{_plain(rate * 100)}%"


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
