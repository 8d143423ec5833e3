"""The study of purchases at the most to pay: its arithmetic by made-up figures, and a small run of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from fakes import CATALOGUE, EVIDENCE_ROWS, RATES, FakePriceModel

from models.bundles.registry import Registry
from models.domain.evidence import Evidence
from models.valuation.valuer import Valuer
from training.demo.market import make_market
from training.yardstick.fresh.measure import moved
from training.yardstick.offers.measure import RISKS, OfferFigures, bought, pooled
from training.yardstick.offers.table import TARGETS, as_text, line

FIRST = OfferFigures("house", 1, 60.0, 100, {"0.2": 16, "0.1": 4}, {"0.2": 100, "0.1": 100})
SECOND = OfferFigures("house", 2, 60.0, 300, {"0.2": 72, "0.1": 36}, {"0.2": 300, "0.1": 300})
TWENTY, TEN = RISKS
DEMO_SEED, DEMO_SALES = 0, 3000  # as `demo_store` has it


def test_purchases_are_pooled_and_the_error_is_that_of_the_markets() -> None:
    # 16% and 24%: their standard deviation is 8/√2 points, so that of their mean is 4.
    assert pooled([FIRST, SECOND], TWENTY) == (400, 88, pytest.approx(0.04))
    # One market has only the error of chance: √(0.16 · 0.84 / 100).
    assert pooled([FIRST], TWENTY) == (100, 16, pytest.approx(0.036661, abs=1e-6))


def test_the_table_says_what_misses_its_target() -> None:
    rows = [" ".join(row.split()) for row in as_text([FIRST, SECOND]).splitlines()]
    assert "house 1 100 16.0% ± 3.7% 4.0% ± 2.0% MISSED" in rows
    assert "house 2 300 24.0% ± 2.5% 12.0% ± 1.9%" in rows
    assert "all markets 400 22.0% ± 4.0% 10.0% ± 4.0%" in rows
    assert rows[-1] == "Targets: 20% accepted: 15% to 25%, 10% accepted: 7% to 13%"
    assert line(FIRST) == "house 1: 16.0% at 20%, 4.0% at 10% of 100 purchases lost money; 60 s"
    assert FIRST.key == ("house", 1)


def _sales(shares: Sequence[float]) -> list[Evidence]:
    """Sales of a blank instrument at these chances of the fake's distribution, which is even in the log."""
    row = next(row for row in EVIDENCE_ROWS if row.kind == "sale")
    half = 0.3 * (1 + sum(value is None for value in row.instrument[3:]) / 10)
    center = float(FakePriceModel().center([row.subject])[0])
    prices = np.exp(center + half * (2 * np.array(shares) - 1)).round(2).tolist()
    return [replace(row, id=f"S{n}", price=Decimal(str(price))) for n, price in enumerate(prices)]


def test_a_purchase_loses_where_the_sale_brings_less_than_was_paid() -> None:
    sales = _sales([0.05, 0.09, 0.11, 0.19, 0.21, 0.5, 0.9])
    found = bought(Valuer(FakePriceModel(), CATALOGUE, RATES, "v"), sales)
    assert found == {TWENTY: (4, 7), TEN: (2, 7)}


def test_on_the_demo_market_as_many_purchases_lose_as_were_accepted(demo_store: Path) -> None:
    """A small run on the one market that is fitted for the tests; `make offers` runs it on fresh ones.

    The sales of one market share its course after the evidence, which moves their share by points. So it is
    taken out here: each sale is at the price that it had brought if the market had stood still.
    """
    market, valuer = make_market(DEMO_SEED, DEMO_SALES, "house"), Registry(demo_store).load().valuer
    pairs = zip(market.holdout, np.exp(-moved(market)).tolist(), strict=True)
    still = [replace(sale, price=sale.price * Decimal(factor)) for sale, factor in pairs]
    found, as_sold = bought(valuer, still), bought(valuer, market.holdout)
    for risk, (low, high) in TARGETS.items():
        lost, by_risk = found[risk]
        share, went = lost / len(still), as_sold[risk][0] / len(still)
        print(f"{share:.1%} of {len(still)} lost at {risk:.0%}, and {went:.1%} as the market went")
        assert by_risk == len(still) >= 400
        assert low <= share <= high
