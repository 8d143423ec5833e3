"""The figures of one market: how often a purchase at the most to pay loses money at later sales."""

import math
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from models.bundles.bundle import read_bundle
from models.decisions.offers import RISK, most_to_pay
from models.decisions.resale import LEVELS, resale_of
from models.decisions.terms import OfferTerms
from models.domain.evidence import Evidence
from models.domain.money import BASE_CURRENCY
from models.practice import shipped
from models.valuation.valuer import Valuer
from training.demo.market import Market, make_market
from training.release import make_bundle

RISKS = (Decimal("0.2"), Decimal("0.1"))  # The accepted risks that are tried.
_LATER = 500  # The number of later sales of a market.

# Kind of market → (nature, number of closed sales).
KINDS: Mapping[str, tuple[str, int]] = {
    "house": ("house", 3000),
    "additive": ("additive", 3000),
    "entangled": ("entangled", 3000),
    "woven": ("woven", 3000),
    "knotted": ("knotted", 3000),
    "house-small": ("house", 400),
}


@dataclass(frozen=True)
class OfferFigures:
    """The figures of one market.

    `purchases`: the number of later sales that were bought at the most to pay. `lost`: accepted risk → how
    many of them sold for less than that. `by_risk`: accepted risk → at how many the risk set the price.
    """

    kind: str
    seed: int
    seconds: float
    purchases: int
    lost: Mapping[str, int]
    by_risk: Mapping[str, int]

    @classmethod
    def from_row(cls, row: Mapping[str, Any]) -> "OfferFigures":
        """The figures as JSON has them."""
        return cls(**row)

    @property
    def key(self) -> tuple[str, int]:
        """The market that was asked for."""
        return self.kind, self.seed


def measure(kind: str, seed: int) -> OfferFigures:
    """Make the market, make a bundle of its evidence as `bookmatch fit` does, and buy its later sales."""
    began, (nature, sales) = time.perf_counter(), KINDS[kind]
    market = make_market(seed, sales, nature, later=_LATER)
    found = bought(served(market), market.holdout)
    lost = {str(risk): found[risk][0] for risk in RISKS}
    by_risk = {str(risk): found[risk][1] for risk in RISKS}
    return OfferFigures(kind, seed, time.perf_counter() - began, len(market.holdout), lost, by_risk)


def served(market: Market) -> Valuer:
    """Return the valuer of a bundle that was made of the market's evidence."""
    with tempfile.TemporaryDirectory() as folder:
        rows, store = market.evidence, Path(folder)
        made = make_bundle(
            rows, market.catalogue, market.rates, store, practice=shipped(), seed=0, progress=False
        )
        return read_bundle(store / "bundles" / made.version).valuer


def bought(valuer: Valuer, sales: Sequence[Evidence]) -> dict[Decimal, tuple[int, int]]:
    """Return accepted risk → the number of sales below the most to pay, and of prices that the risk set.

    No other term is above 0, so that only the risk binds: a purchase loses money if the sale brings less than
    the most to pay. Each sale is bought on its own day, for its own channel.
    """
    found = valuer.model.estimate([sale.subject for sale in sales], LEVELS)
    out = dict.fromkeys(RISKS, (0, 0))
    for row, sale in enumerate(sales):
        resale = resale_of(found, row, float(found.center[row]), 1.0)
        for risk in RISKS:
            most, set_by = most_to_pay(resale, OfferTerms(Decimal(0), risk), BASE_CURRENCY)
            lost, by_risk = out[risk]
            out[risk] = lost + (sale.usd(valuer.rates) < most), by_risk + (set_by == RISK)
    return out


def pooled(markets: Sequence[OfferFigures], risk: Decimal) -> tuple[int, int, float]:
    """Return the purchases of all markets, how many lost money, and the standard error of their share.

    The error is that of the markets' own shares, since the sales of one market share its later course.
    """
    purchases = sum(market.purchases for market in markets)
    lost = sum(market.lost[str(risk)] for market in markets)
    if len(markets) < 2:
        share = lost / purchases
        return purchases, lost, math.sqrt(share * (1 - share) / purchases)
    shares = [market.lost[str(risk)] / market.purchases for market in markets]
    mean = sum(shares) / len(shares)
    variance = sum((share - mean) ** 2 for share in shares) / (len(shares) - 1)
    return purchases, lost, math.sqrt(variance / len(shares))
