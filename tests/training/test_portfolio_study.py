"""The true totals that the study of portfolios holds ranges against, from the demo market by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from markets import market

from training.yardstick.portfolios.measure import PAID, TRUE, PortfolioFigures, true_totals
from training.yardstick.portfolios.table import as_text


def test_on_the_day_of_a_sale_its_total_is_the_price_paid() -> None:
    m = market(2, 500)
    sale = m.holdout[7]
    found = true_totals(m, np.array([7]), sale.day.toordinal())
    assert found[PAID] == pytest.approx(sale.usd(m.rates), rel=1e-12)
    assert found[TRUE] == pytest.approx(math.exp(m.log_value[sale.id]), rel=1e-12)


def test_on_another_day_every_total_moves_with_the_true_market() -> None:
    m = market(2, 500)
    sale, at = m.holdout[7], len(m.evidence) + 7
    model, channel = m.events.specimens["model"][at : at + 1], m.events.channel[at : at + 1]
    then = sale.day.toordinal() - 200
    levels = [m.truth.log_market(model, np.array([day]), channel)[0] for day in (then, then + 200)]
    found = true_totals(m, np.array([7]), then)
    assert levels[0] != levels[1]
    assert found[PAID] == pytest.approx(sale.usd(m.rates) * math.exp(levels[0] - levels[1]), rel=1e-12)


def test_the_table_says_a_miss() -> None:
    ways = {"shared": 10, "apart": 5, "ends": 10}
    one = PortfolioFigures("house", 1, 1.0, 10, ways, ways, dict.fromkeys(ways, 0.1), [0.0] * 10)
    other = PortfolioFigures("house", 2, 1.0, 10, {**ways, "shared": 8}, ways, one.width, one.off)
    assert "90.0% ± 10.0% [100.0%]" in as_text([one, other])
    assert "95.0% ± 5.0% MISSED" in as_text(
        [one, PortfolioFigures(**{**vars(other), "inside": {**ways, "shared": 9}})]
    )
