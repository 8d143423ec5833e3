"""Backtest: fit a price model before each past quarter, and judge it by the sales of that quarter."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import reduce
from operator import add
from typing import Any

from joblib import Parallel, delayed
from tqdm import tqdm

from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.errors import BookmatchError
from models.price.interface import PriceModel
from models.study.judge import Judged, figures, judge, only_sales, study

YEARS = 3
LEAST_BEFORE = 50  # A quarter is tested only if there are at least this many sales before it.

Fitter = Callable[[Sequence[Evidence], Catalogue, Rates, int], PriceModel]


class NoOriginError(BookmatchError):
    """No quarter has sales in it and enough sales before it for a fit."""


@dataclass(frozen=True)
class Origin:
    """One tested quarter, from `day` up to but not including `end`, with the values given for its sales.

    `fitted_on`: number of sales before `day`, on which the model was fitted.
    """

    day: date
    end: date
    fitted_on: int
    judged: Judged


def quarter_start(day: date, later: int = 0) -> date:
    """Return the first day of the quarter that `day` is in, or of one as many quarters `later`."""
    quarter = 4 * day.year + (day.month - 1) // 3 + later
    return date(quarter // 4, 3 * (quarter % 4) + 1, 1)


def next_quarter(day: date) -> date:
    """Return the first day of the quarter after the one that `day` is in."""
    return quarter_start(day, 1)


def origins(rows: Sequence[Evidence], years: float = YEARS) -> list[date]:
    """Return the first days of quarters to test, oldest first: those with sales, and enough sales before."""
    days = sorted(sale.day for sale in only_sales(rows))
    if not days:
        return []
    quarters = [quarter_start(days[-1], -before) for before in range(max(round(4 * years), 1))]
    return [quarter for quarter in reversed(quarters) if _counts(days, quarter)]


def _counts(days: Sequence[date], quarter: date) -> bool:
    end = next_quarter(quarter)
    return sum(d < quarter for d in days) >= LEAST_BEFORE and any(quarter <= d < end for d in days)


def backtest(
    rows: Sequence[Evidence],
    catalogue: Catalogue,
    rates: Rates,
    fit: Fitter,
    *,
    years: float = YEARS,
    seed: int = 0,
    jobs: int = 1,
    progress: bool = True,
) -> list[Origin]:
    """Fit a model before each quarter on all evidence up to then, and judge it by the quarter's sales.

    `jobs`: number of parallel processes, which does not change the result; `fit` must be importable where it
    is above 1. Raises NoOriginError.
    """
    days = origins(rows, years)
    if not days:
        raise NoOriginError(
            f"no quarter of the last {years:g} years has sales in it and {LEAST_BEFORE} sales before it; "
            "give a longer history"
        )
    tasks = (delayed(_at)(rows, catalogue, rates, fit, day, seed) for day in days)
    done = Parallel(n_jobs=jobs, return_as="generator")(tasks)
    bar = tqdm(done, total=len(days), desc="quarters", unit="fit", disable=None if progress else True)
    return list(bar)


def _at(
    rows: Sequence[Evidence], catalogue: Catalogue, rates: Rates, fit: Fitter, day: date, seed: int
) -> Origin:
    end = next_quarter(day)
    before = [row for row in rows if row.day < day]
    after = [sale for sale in only_sales(rows) if day <= sale.day < end]
    model = fit(before, catalogue, rates, seed)
    return Origin(day, end, len(only_sales(before)), judge(model, after, rates))


def report(found: Sequence[Origin], *, draws: int = 1000) -> dict[str, Any]:
    """Return the figures on errors and ranges as JSON: for each of `quarters`, and for all sales together."""
    whole = reduce(add, [origin.judged for origin in found])
    return {
        "quarters": [
            {
                "origin": origin.day.isoformat(),
                "end": origin.end.isoformat(),
                "fitted_on": origin.fitted_on,
                **figures(origin.judged, draws=draws // 5),
            }
            for origin in found
        ],
        **study(whole, draws=draws),
    }
