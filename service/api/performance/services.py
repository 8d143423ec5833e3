"""The ratio study of the service's own past valuations, each compared with the later sale.

Values are taken as they were answered, for their own day and market. Value and price are converted to US
dollars at the rate of the day of the sale, so that two amounts in one currency are compared unchanged.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np

from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.domain.vocabulary import DEFAULT_LEVELS
from models.errors import RateError
from models.price.interface import EvidenceWeight
from models.study.groups import groupings
from models.study.judge import Judged, figures
from models.study.ratio import ACCEPTED, STATISTICS
from service.api.performance import records
from service.api.performance.records import Sold
from service.api.performance.schemas import dump_performance
from service.context import bundle, context
from service.db.engine import reading

LEAST = 5  # least number of sales for which figures are given
_DRAWS, _DRAWS_OF_A_GROUP = 500, 100
_SLACK = timedelta(days=1)  # a sale's day is in some local time zone, a valuation's day in UTC
CAUTIONS = (
    "Only valuations whose sale was recorded are judged. Instruments that did not sell, or whose sale nobody "
    "recorded, are not in these figures, and may be those that were valued worst.",
    "A value is held against the price as it was said, for its own day and market: what the market did in "
    "between, and what another market pays, is in the ratio.",
    "Figures of past values promise nothing of later ones. A value is a statistical estimate: not an "
    "authentication, and not a qualified or certified appraisal.",
)
_BEFORE = "the sale was before the valuation, which may have known of it"
_AGAIN = "the instrument was valued again before the sale: only the last value is judged"
_HELD = "a warning on the sale is neither confirmed nor corrected"
_NO_RATE = "a currency has no exchange rate on the day of the sale"


class _Case(NamedTuple):
    """A value and its ranges (level → low and high end) with the price paid, all in log US dollars."""

    sale: Evidence
    paid: float
    valued: float
    ranges: Mapping[float, tuple[float, float]]
    weight: EvidenceWeight


def performance(first: date | None, last: date | None) -> dict[str, Any]:
    """Return the study of the sales of this period for the answer, without figures if the sales are too few.

    It takes seconds with thousands of sales, so it is cached until an outcome or the current bundle changes.
    """
    with reading(context().engine) as connection:
        of = (first, last, bundle().version, records.standing(connection))
    return context().studies.get(of, lambda: _worked_out(first, last))


def _worked_out(first: date | None, last: date | None) -> dict[str, Any]:
    left_out: Counter[str] = Counter()
    with reading(context().engine) as connection:
        cases = _cases(records.sold(connection, first, last), bundle().valuer.rates, left_out)
    days = [case.sale.day for case in cases]
    return dump_performance(
        SimpleNamespace(
            from_=first,
            to=last,
            judged=len(cases),
            left_out=left_out,
            first=min(days, default=None),
            last=max(days, default=None),
            **_study(cases, left_out.total()),
            accepted=[(name, *limits) for name, limits in ACCEPTED.items()],
            cautions=CAUTIONS,
        )
    )


def _cases(found: Iterable[Sold], rates: Rates, left_out: Counter[str]) -> list[_Case]:
    """Return a case per sale, with the last valuation before it; count others in `left_out` by reason."""
    of_sale: dict[str, _Case] = {}
    for one in found:
        before = one.sale.day < one.made.date() - _SLACK
        if before or one.held:
            left_out[_BEFORE if before else _HELD] += 1
            continue
        try:
            case = _case(one, rates)
        except RateError:
            left_out[_NO_RATE] += 1
            continue
        if one.sale.id in of_sale:
            left_out[_AGAIN] += 1
        of_sale[one.sale.id] = case
    return list(of_sale.values())


def _case(one: Sold, rates: Rates) -> _Case:
    answer, sale = one.answer, one.sale
    rate = rates.usd_per(answer["currency"], sale.day)
    given = answer["evidence"]
    return _Case(
        sale,
        math.log(float(sale.price) * rates.usd_per(sale.currency, sale.day)),
        math.log(float(answer["value"]) * rate),
        {
            entry["level"]: (math.log(float(entry["low"]) * rate), math.log(float(entry["high"]) * rate))
            for entry in answer["intervals"]
        },
        EvidenceWeight(given["word"], given["direct_sales"], given["effective_sales"]),
    )


def _study(cases: list[_Case], left_out: int) -> dict[str, Any]:
    if len(cases) < LEAST:
        return {"sentence": _too_few(len(cases), left_out), "overall": _none(len(cases)), "groups": []}
    judged = _judged(cases)
    overall = _figures(judged, np.ones(len(cases), bool), _DRAWS)
    groups = groupings(judged.sales, np.exp(judged.center), judged.weights)
    return {
        "sentence": _sentence(overall),
        "overall": overall,
        "groups": [
            SimpleNamespace(grouping=grouping, group=group, **vars(_figures(judged, mask, _DRAWS_OF_A_GROUP)))
            for grouping, masks in groups.items()
            for group, mask in masks.items()
        ],
    }


def _judged(cases: list[_Case]) -> Judged:
    nothing = (math.nan, math.nan)
    ends = np.array([[case.ranges.get(level, nothing) for level in DEFAULT_LEVELS] for case in cases])
    return Judged(
        tuple(case.sale for case in cases),
        np.array([case.paid for case in cases]),
        np.array([case.valued for case in cases]),
        ends[:, :, 0],
        ends[:, :, 1],
        tuple(case.weight for case in cases),
    )


def _figures(judged: Judged, mask: np.ndarray, draws: int) -> SimpleNamespace:
    """The figures of these sales; None where there are too few."""
    sales = int(mask.sum())
    if sales < LEAST:
        return _none(sales)
    found = figures(judged, mask, draws=draws)
    ranges = [
        SimpleNamespace(
            level=level,
            sales=int((mask & ~np.isnan(judged.low[:, k])).sum()),
            inside=found["coverage"][f"{level:g}"],
            interval_score=found["interval_scores"][f"{level:g}"],
        )
        for k, level in enumerate(judged.levels)
        if f"{level:g}" in found["coverage"]
    ]
    statistics = {name: SimpleNamespace(**found[name]) for name in STATISTICS}
    return SimpleNamespace(sales=sales, **statistics, ranges=ranges)


def _none(sales: int) -> SimpleNamespace:
    return SimpleNamespace(sales=sales, **dict.fromkeys(STATISTICS), ranges=[])


def _too_few(sales: int, left_out: int) -> str:
    beside = f"Valuations whose sale is recorded but cannot be judged: {left_out}; left_out says why."
    if not sales and left_out:
        return f"Nothing can be judged yet. {beside}"
    if not sales:
        return "No sale of a valued instrument is recorded for this period, so nothing can be judged yet."
    count = "1 sale is" if sales == 1 else f"{sales} sales are"
    few = f"{count} too few to judge by: figures are given from {LEAST} sales on."
    return f"{few} {beside}" if left_out else few


def _sentence(overall: SimpleNamespace) -> str:
    ratio, error = overall.median_ratio.value, overall.median_error.value
    level = f"{abs(ratio - 1):.1%} {'above' if ratio > 1 else 'below'}" if round(ratio, 3) != 1 else "at"
    return (
        f"Of {overall.sales} values, half were within {error:.1f}% of the price paid; the middle one was "
        f"{level} it."
    )
