"""The figures that a report concludes: the price model's own, with the specialist's adjustment beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from models.domain.money import round_money
from models.errors import Fault, InputError
from models.valuation.valuer import Interval, Valuation
from service.reports.kinds import AUCTION_LEVEL, level_below


@dataclass(frozen=True)
class OwnAdjustment:
    """The specialist's own adjustment: a share of each figure, or an amount that is added to each."""

    reason: str
    rate: Decimal | None = None
    amount: Decimal | None = None

    def of(self, figure: Decimal, currency: str) -> Decimal:
        """Return what it adds to a figure of the price model, in its currency."""
        return round_money(figure * self.rate if self.rate is not None else self.amount or 0, currency)


@dataclass(frozen=True)
class ConcludedFigure:
    """One figure of a conclusion: `model` + `adjustment` = `concluded`, to the cent."""

    name: str
    model: Decimal
    adjustment: Decimal
    concluded: Decimal


def read_adjustment(kept: Mapping[str, Any] | None, currency: str) -> OwnAdjustment | None:
    """Read a request's adjustment: `rate`, or `amount` with `currency`, and `reason`. Raises InputError."""
    if not kept:
        return None
    reason, given = str(kept.get("reason") or "").strip(), kept.get("amount")
    if not reason:
        raise InputError([Fault("adjustment.reason", None, "is empty", "a reason", "say why it is adjusted")])
    amount = given if isinstance(given, Mapping) else {"amount": given, "currency": kept.get("currency")}
    if kept.get("rate") is not None:
        return OwnAdjustment(reason, rate=_decimal("adjustment.rate", kept["rate"]))
    if amount["currency"] not in (None, currency):
        fault = Fault(
            "adjustment.amount.currency",
            amount["currency"],
            "is not the currency of the report",
            currency,
            f"adjust by an amount in {currency}, or by a rate",
        )
        raise InputError([fault])
    return OwnAdjustment(reason, amount=_decimal("adjustment.amount", amount["amount"]))


def _decimal(field: str, text: object) -> Decimal:
    try:
        found = Decimal(str(text))
    except InvalidOperation:
        found = Decimal("NaN")
    if not found.is_finite():
        raise InputError([Fault(field, text, "is not a number", "decimal text", "correct it")])
    return found


def conclude(
    type_of_value: str, valuation: Valuation, share: Decimal | None, adjustment: OwnAdjustment | None
) -> tuple[ConcludedFigure, ...]:
    """Return the figures of this type of value: `value`, or for an auction estimate `low` and `high`.

    `share`: of sales that are expected to bring less than a liquidation value. Raises InputError for an
    adjustment that leaves nothing.
    """
    figures, currency = _of_model(type_of_value, valuation, share), valuation.currency
    found = []
    for name, model in figures.items():
        by = adjustment.of(model, currency) if adjustment else round_money(0, currency)
        if model + by <= 0:
            fault = Fault("adjustment", str(by), "leaves no value", f"more than −{model}", "correct it")
            raise InputError([fault])
        found.append(ConcludedFigure(name, model, by, model + by))
    return tuple(found)


def _of_model(type_of_value: str, valuation: Valuation, share: Decimal | None) -> dict[str, Decimal]:
    if type_of_value == "auction_estimate":
        half = _at(valuation, AUCTION_LEVEL)
        return {"low": half.low, "high": half.high}
    if type_of_value == "liquidation" and share is not None:
        return {"value": _at(valuation, level_below(share)).low}
    return {"value": valuation.value}


def _at(valuation: Valuation, level: float) -> Interval:
    return next(interval for interval in valuation.intervals if interval.level == level)
