"""The terms on which a dealer buys: what each means, which values it can have, and how it is read."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from typing import Any

from models.decisions.resale import LEAST_CHANCE
from models.domain.money import amount_step, minor_units, round_money
from models.domain.names import ALIKE, nearest
from models.errors import Fault, InputError

TAX_ON = "margin"  # `tax_rate` is a share of the resale price minus the price paid; nothing comes back.
_NOTHING = Decimal(0)
PATTERN = r"\d{1,12}(\.\d{1,12})?"
_NUMBER = re.compile(PATTERN, re.ASCII)


@dataclass(frozen=True)
class OfferTerm:
    """One term: its meaning, the least and the most that it can be, and whether it is an amount of money."""

    meaning: str
    most: Decimal
    least: Decimal = _NOTHING
    amount: bool = False
    required: bool = False


_ONE, _MOST_MONEY = Decimal(1), Decimal(10**12) - 1
_ALMOST_ONE = Decimal("0.99")
TERMS: Mapping[str, OfferTerm] = {
    "selling_fee_rate": OfferTerm("the fee for selling, as a share of the resale price", _ALMOST_ONE),
    "payment_fee_rate": OfferTerm("the fee for the payment, as a share of the resale price", _ALMOST_ONE),
    "shipping": OfferTerm(
        "shipping and insurance in all, there and back, taken as spent on the day of the purchase",
        _MOST_MONEY,
        amount=True,
    ),
    "work": OfferTerm(
        "parts and labour, taken as spent on the day of the purchase", _MOST_MONEY, amount=True
    ),
    "tax_rate": OfferTerm(
        "the tax on the margin, as a share of the resale price minus the price paid; none where that is "
        "below 0. A margin scheme of 20% that the price includes is 0.2 / 1.2 = 0.1667",
        _ALMOST_ONE,
    ),
    "months_to_sell": OfferTerm("the months from the purchase to the resale", Decimal(120)),
    "cost_of_money_rate": OfferTerm(
        "what a year of the money that is laid out costs, compounded over the months to sell", _ONE
    ),
    "wanted_margin_rate": OfferTerm(
        "the expected profit that is wanted, as a share of the price paid", Decimal(10), required=True
    ),
    "accepted_risk_of_loss": OfferTerm(
        "the chance of a loss that is accepted; the price model tells no chance below a half per cent",
        _ONE,
        Decimal(str(round(LEAST_CHANCE, 6))),
        required=True,
    ),
}
_OF_RESALE = ("selling_fee_rate", "payment_fee_rate", "tax_rate")


@dataclass(frozen=True)
class OfferTerms:
    """The terms of an offer (`TERMS` has their meaning); amounts are in the currency of the offer."""

    wanted_margin_rate: Decimal
    accepted_risk_of_loss: Decimal
    selling_fee_rate: Decimal = _NOTHING
    payment_fee_rate: Decimal = _NOTHING
    shipping: Decimal = _NOTHING
    work: Decimal = _NOTHING
    tax_rate: Decimal = _NOTHING
    months_to_sell: Decimal = _NOTHING
    cost_of_money_rate: Decimal = _NOTHING

    @property
    def growth(self) -> Decimal:
        """Return the cost by the resale of one unit of money laid out: (1 + rate a year) ^ (months / 12)."""
        return (1 + self.cost_of_money_rate) ** (self.months_to_sell / 12)

    def with_work(self, cost: Decimal) -> "OfferTerms":
        """Return the terms with this much more work."""
        return replace(self, work=self.work + cost)

    def exchanged(self, factor: float, currency: str) -> "OfferTerms":
        """Return the terms with amounts times this factor, in this currency."""
        amounts = {name: getattr(self, name) * Decimal(factor) for name, term in TERMS.items() if term.amount}
        return replace(self, **{name: round_money(amount, currency) for name, amount in amounts.items()})


def read_terms(data: Any, currency: str) -> OfferTerms:
    """Read terms from JSON: decimal texts or numbers by name; null is left out. Raises InputError.

    `currency`: of the amounts. Faults are named `terms.work` and so on.
    """
    if not isinstance(data, Mapping):
        raise InputError([Fault("terms", data, "is not an object", "an object of terms", "see the terms")])
    faults = [_stranger(name, value) for name, value in data.items() if name not in TERMS]
    found = {name: _read(name, data.get(name), currency, faults) for name in TERMS}
    if not faults and sum((found[name] or _NOTHING for name in _OF_RESALE), _NOTHING) >= 1:
        allowed = f"{', '.join(_OF_RESALE)} together below 1"
        text = str(found[_OF_RESALE[0]])
        faults.append(Fault(f"terms.{_OF_RESALE[0]}", text, "leaves nothing", allowed, "correct them"))
    if faults:
        raise InputError(faults)
    terms = OfferTerms(**{name: value for name, value in found.items() if value is not None})
    return terms.exchanged(1.0, currency)  # so that amounts have the decimals of the currency


def written_terms(terms: OfferTerms) -> dict[str, str]:
    """Return the terms as JSON: decimal text by name, in the order of `TERMS`."""
    return {name: f"{getattr(terms, name):f}" for name in TERMS}


def read_number(value: Any) -> Decimal | None:
    """Read a number of 0 or more from decimal text or a JSON number; None for anything else."""
    if isinstance(value, str):
        return Decimal(value) if _NUMBER.fullmatch(value) else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return Decimal(repr(value)) if value >= 0 else None


def too_fine(name: str, amount: Decimal, currency: str) -> Iterable[Fault]:
    """Give the fault of an amount with more decimals than its currency has."""
    digits = minor_units(currency)
    if amount != round_money(amount, currency):
        problem, allowed = f"is finer than {currency} can be", f"at most {digits} decimals"
        yield Fault(name, f"{amount:f}", problem, allowed, "round it")


def _read(name: str, value: Any, currency: str, faults: list[Fault]) -> Decimal | None:
    term, path = TERMS[name], f"terms.{name}"
    allowed = f'decimal text from "{term.least:f}" to "{term.most:f}"'
    if value is None:
        if term.required:
            faults.append(Fault(path, None, "is required", allowed, f"send {name}: {term.meaning}"))
        return None
    number = read_number(value)
    if number is None or not term.least <= number <= term.most:
        step = 'write a rate of 8% as "0.08"' if name.endswith(("_rate", "_loss")) else amount_step(value)
        faults.append(Fault(path, value, "is not a value of this term", allowed, step))
        return None
    if term.amount:
        faults.extend(too_fine(path, number, currency))
    return number


def _stranger(name: str, value: Any) -> Fault:
    near = partial(nearest, name, list(TERMS), 1, ALIKE)
    return Fault(f"terms.{name}", value, "is not a term", ", ".join(TERMS), "leave it out", near)
