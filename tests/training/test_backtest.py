"""The rolling-origin backtest: no look ahead, all quarters, the same whatever runs beside it."""

from collections.abc import Sequence
from datetime import date

import pytest
from fitted_fake import FittedFake, fit_fake

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.study.judge import only_sales
from training.demo.market import Market
from training.study.backtest import NoOriginError, backtest, next_quarter, origins, quarter_start, report


def test_quarters() -> None:
    assert quarter_start(date(2024, 12, 31)) == date(2024, 10, 1)
    assert next_quarter(date(2024, 10, 1)) == date(2025, 1, 1)
    assert next_quarter(date(2024, 3, 31)) == date(2024, 4, 1)


def test_twelve_quarters_of_three_years(small_market: Market) -> None:
    found = origins(small_market.evidence)
    assert len(found) == 12
    assert found == sorted(set(found))
    last = max(sale.day for sale in only_sales(small_market.evidence))
    assert found[-1] == quarter_start(last)


def test_fits_see_only_what_came_before(small_market: Market) -> None:
    seen: list[date] = []

    def fit(rows: Sequence[Evidence], catalogue: Catalogue, rates: Rates, seed: int) -> FittedFake:
        seen.append(max(row.day for row in rows))
        return fit_fake(rows, catalogue, rates, seed)

    m = small_market
    found = backtest(m.evidence, m.catalogue, m.rates, fit, progress=False)
    assert len(seen) == len(found) == 12
    for last, origin in zip(seen, found, strict=True):
        assert last < origin.day
        assert all(origin.day <= sale.day < origin.end for sale in origin.judged.sales)
    told = report(found, draws=0)
    judged = sum(quarter["sales"] for quarter in told["quarters"])
    assert judged == told["overall"]["sales"] == sum(s.day >= found[0].day for s in only_sales(m.evidence))


def test_parallel_runs_agree(small_market: Market) -> None:
    m = small_market
    one, two = (
        backtest(m.evidence, m.catalogue, m.rates, fit_fake, years=1, jobs=jobs, progress=False)
        for jobs in (1, 2)
    )
    assert report(one, draws=20) == report(two, draws=20)


def test_too_short_a_history_is_said(small_market: Market) -> None:
    m = small_market
    few = only_sales(m.evidence)[:40]
    with pytest.raises(NoOriginError, match="longer history"):
        backtest(few, m.catalogue, m.rates, fit_fake, progress=False)
    with pytest.raises(NoOriginError):
        backtest(
            [row for row in m.evidence if row.kind == "asking"],
            m.catalogue,
            m.rates,
            fit_fake,
            progress=False,
        )
