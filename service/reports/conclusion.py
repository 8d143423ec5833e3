"""The figures that a report concludes: the price model's own, with the specialist's adjustment beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from models.errors import Fault, InputError
from models.valuation.valuer import Interval
from service.reports.kinds import AUCTION_LEVEL, level_below


@dataclass(frozen=True)
class ValuedFigures:
    """A value and its ranges, of the price model or after the specialist's adjustment."""

    value: Decimal
    ranges: Sequence[Interval]

    def of(self, type_of_value: str, share: Decimal | None) -> Mapping[str, Decimal]:
        """Return the figures of this type of value: `value`, or for an auction estimate `low` and `high`.

        `share`: of sales that are expected to bring less than a liquidation value.
        """
        if type_of_value == "auction_estimate":
            half = self._at(AUCTION_LEVEL)
            return {"low": half.low, "high": half.high}
        if type_of_value == "liquidation" and share is not None:
            return {"value": self._at(level_below(share)).low}
        return {"value": self.value}

    def _at(self, level: float) -> Interval:
        return next(interval for interval in self.ranges if interval.level == level)


@dataclass(frozen=True)
class ConcludedFigure:
    """One figure of a conclusion: `model` + `adjustment` = `concluded`, to the cent."""

    name: str
    model: Decimal
    adjustment: Decimal
    concluded: Decimal


def conclude(
    type_of_value: str, share: Decimal | None, model: ValuedFigures, after: ValuedFigures
) -> tuple[ConcludedFigure, ...]:
    """Return the figures of this type of value. `after`: those of the model with the specialist's adjustment.

    Raises InputError for an adjustment that leaves nothing.
    """
    before, then = model.of(type_of_value, share), after.of(type_of_value, share)
    found = [ConcludedFigure(name, before[name], then[name] - before[name], then[name]) for name in before]
    for figure in found:
        if figure.concluded <= 0:
            allowed = f"more than −{figure.model}"
            fault = Fault("adjustment", str(figure.adjustment), "leaves no value", allowed, "correct it")
            raise InputError([fault])
    return tuple(found)
