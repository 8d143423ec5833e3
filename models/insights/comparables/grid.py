"""The adjustment grid of a comparable sale, which leads from its price to the subject line by line.

It follows the usual order of the sales comparison approach. First come adjustments for time and for the
channel, which are compounded. Then come adjustments for the instrument's fields, all shares of the price as
adjusted so far, which are added up.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from models.domain.money import log_mean, round_money

# Limits of a lenders' guideline, withdrawn in December 2014: a grid beyond them only deserves a second look.
NET_FLAG, GROSS_FLAG = 0.15, 0.25
# The least gross adjustment for weights, so that no sale takes all the weight.
LEAST_GROSS = 0.01


@dataclass(frozen=True)
class Step:
    """One adjustment to make. `share`: the fraction by which it changes the price that it applies to."""

    field: str
    share: float


@dataclass(frozen=True)
class Adjustment:
    """One adjustment made. `share`: of the price that it changed; `amount`: in the grid's currency."""

    field: str
    share: float
    amount: Decimal


@dataclass(frozen=True)
class Grid:
    """The adjustments of one comparable, which lead from its `price` to the `adjusted` price of the subject.

    To the cent, `price` + amounts of `market` = `today`, and `today` + amounts of `lines` = `adjusted`.
    `market`: adjustments for day and channel. `lines`: adjustments for the instrument's fields. `net`:
    (adjusted − price) / price. `gross`: the sum of the sizes of all adjustments / price.
    """

    currency: str
    price: Decimal
    market: tuple[Adjustment, ...]
    today: Decimal
    lines: tuple[Adjustment, ...]
    adjusted: Decimal
    net: float
    gross: float

    @property
    def flags(self) -> tuple[str, ...]:
        """Return `large_net_adjustment` and `large_gross_adjustment` where they apply; both only warn."""
        found = []
        if abs(self.net) > NET_FLAG:
            found.append("large_net_adjustment")
        if self.gross > GROSS_FLAG:
            found.append("large_gross_adjustment")
        return tuple(found)


def adjust(price: Decimal, market: Sequence[Step], lines: Sequence[Step], currency: str) -> Grid:
    """Make the grid of one comparable. `price` must be above 0.

    The steps of `market` are compounded in this order; the steps of `lines` apply to the price after them and
    are added up. A step with a share of 0 gets no line.
    """
    today, done = price, []
    for step in market:
        amount = _amount(today, step, currency)
        today += amount
        done.append(Adjustment(step.field, step.share, amount))
    physical = tuple(Adjustment(s.field, s.share, _amount(today, s, currency)) for s in lines if s.share)
    adjusted = today + sum((line.amount for line in physical), Decimal(0))
    gross = sum((abs(line.amount) for line in (*done, *physical)), Decimal(0))
    return Grid(
        currency=currency,
        price=price,
        market=tuple(line for line in done if line.share),
        today=today,
        lines=physical,
        adjusted=adjusted,
        net=float((adjusted - price) / price),
        gross=float(gross / price),
    )


def _amount(price: Decimal, step: Step, currency: str) -> Decimal:
    return round_money(price * Decimal(step.share), currency)


def shares_of(effects: Sequence[float]) -> list[float]:
    """Turn log effects into shares of one price that sum to exp(Σ effects) − 1, by the logarithmic mean."""
    mean = log_mean(math.exp(math.fsum(effects)), 1.0)
    return [mean * effect for effect in effects]


def weights(grids: Sequence[Grid]) -> tuple[float, ...]:
    """Return each grid's weight in the reconciled figure, by 1 / gross adjustment; the weights sum to 1."""
    raw = [1 / max(grid.gross, LEAST_GROSS) for grid in grids]
    return tuple(w / math.fsum(raw) for w in raw)


def reconcile(grids: Sequence[Grid]) -> Decimal:
    """Return the mean of the adjusted prices, weighted by `weights`, of one grid or more."""
    pairs = zip(weights(grids), grids, strict=True)
    return round_money(math.fsum(w * float(g.adjusted) for w, g in pairs), grids[0].currency)
