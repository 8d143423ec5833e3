"""The adjustment grid: from a price paid to what it says of the subject, line by line.

The usual order of the sales comparison approach: time first and then the market level it was sold in, each
compounded; then the physical lines, all shares of the price so brought to today, added up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from models.domain.money import log_mean, round_money

# A lenders' guideline, withdrawn in December 2014: beyond it a grid is worth a second look, no more.
NET_FLAG, GROSS_FLAG = 0.15, 0.25
# Nothing is so alike that it should take all the weight.
LEAST_GROSS = 0.01


@dataclass(frozen=True)
class Step:
    """One adjustment to be: `share` is a fraction of the price that it applies to."""

    field: str
    share: float


@dataclass(frozen=True)
class Adjustment:
    """One adjustment made: `share` of the price it applied to, `amount` in the grid's currency."""

    field: str
    share: float
    amount: Decimal


@dataclass(frozen=True)
class Grid:
    """`price` + the amounts of `market` = `today`; `today` + those of `lines` = `adjusted`, to the cent.

    `net`: (adjusted − price) / price. `gross`: the sum of all amounts' sizes / price.
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
        """`large_net_adjustment` and `large_gross_adjustment` where they apply: flags, not rejections."""
        found = []
        if abs(self.net) > NET_FLAG:
            found.append("large_net_adjustment")
        if self.gross > GROSS_FLAG:
            found.append("large_gross_adjustment")
        return tuple(found)


def adjust(price: Decimal, market: Sequence[Step], lines: Sequence[Step], currency: str) -> Grid:
    """The grid of one sale. `market`: compounded in this order; `lines`: added up on what that gives.

    Steps of no share leave no line. `price` > 0.
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
    """Log effects as shares of one price that sum to exp(Σ effects) − 1. Ang (2005): logarithmic mean."""
    mean = log_mean(math.exp(math.fsum(effects)), 1.0)
    return [mean * effect for effect in effects]


def weights(grids: Sequence[Grid]) -> tuple[float, ...]:
    """The share of each grid in the reconciled figure, by 1 / gross adjustment; shares sum to 1."""
    raw = [1 / max(grid.gross, LEAST_GROSS) for grid in grids]
    return tuple(w / math.fsum(raw) for w in raw)


def reconcile(grids: Sequence[Grid]) -> Decimal:
    """The one figure that the adjusted prices say, weighted by `weights`. Needs one grid or more."""
    pairs = zip(weights(grids), grids, strict=True)
    return round_money(math.fsum(w * float(g.adjusted) for w, g in pairs), grids[0].currency)
