"""Figures of how well values and ranges agree with prices paid, over all sales and by group."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.domain.vocabulary import DEFAULT_LEVELS
from models.price.core.basis import Floats
from models.price.interface import EvidenceWeight, PriceModel
from models.study.groups import groupings
from models.study.intervals import covered, interval_score
from models.study.ratio import Figure, ratio_study

SCORE_LEVEL = 0.9  # The level of the one interval score that is quoted as `interval_score`.


@dataclass(frozen=True)
class Judged:
    """n sales with their values and ranges, all in log US dollars.

    `paid`, `center`: (n,) prices and values. `low`, `high`: (n, levels) ends of ranges, NaN for a level that
    was not given for a sale. `weights`: the amount of evidence behind each value.
    """

    sales: tuple[Evidence, ...]
    paid: Floats
    center: Floats
    low: Floats
    high: Floats
    weights: tuple[EvidenceWeight, ...]
    levels: tuple[float, ...] = DEFAULT_LEVELS

    def __add__(self, other: "Judged") -> "Judged":
        if self.levels != other.levels:
            raise ValueError(
                f"levels: {other.levels} cannot be joined to {self.levels}; judge both at the same"
            )
        names = ("paid", "center", "low", "high")
        both = {name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in names}
        return replace(self, sales=self.sales + other.sales, weights=self.weights + other.weights, **both)


def log_usd(sales: Sequence[Evidence], rates: Rates) -> Floats:
    """Return (n,) log prices in US dollars, at the exchange rate of each sale's day. Raises RateError."""
    return np.log([sale.usd(rates) for sale in sales])


def only_sales(rows: Sequence[Evidence]) -> tuple[Evidence, ...]:
    """Return the records that are closed sales."""
    return tuple(row for row in rows if row.kind == "sale")


def judge(
    model: PriceModel, sales: Sequence[Evidence], rates: Rates, levels: Sequence[float] = DEFAULT_LEVELS
) -> Judged:
    """Value each sale by the model, for its day and channel, beside its price.

    Names must be spelled as in the catalogue. Raises ValueError if there are no sales.
    """
    if not sales:
        raise ValueError("sales: there are none to judge by; give at least one")
    said = model.assess([sale.subject for sale in sales], levels)
    return Judged(
        tuple(sales), log_usd(sales, rates), said.center, said.low, said.high, said.weights, tuple(levels)
    )


def figures(judged: Judged, mask: np.ndarray | None = None, *, draws: int = 1000) -> dict[str, Any]:
    """Return the figures of all sales, or of the sales under the (n,) bool `mask`, as JSON.

    `sales`: their number. Each ratio statistic: value, low, high. `coverage`: level → share of prices inside
    the range. `interval_scores`: level → mean score, in log; `interval_score`: at `SCORE_LEVEL`. A level that
    no sale has is left out.
    """
    rows = np.ones(len(judged.paid), bool) if mask is None else mask
    paid, center = judged.paid[rows], judged.center[rows]
    # Ratios do not depend on the unit of money, so prices are centred to keep exp in range.
    study = ratio_study(np.exp(center - paid.mean()), np.exp(paid - paid.mean()), draws=draws)
    coverage, scores = {}, {}
    for k, level in enumerate(judged.levels):
        given = ~np.isnan(judged.low[rows, k])
        if not given.any():
            continue
        y, low, high = paid[given], judged.low[rows, k][given], judged.high[rows, k][given]
        coverage[f"{level:g}"] = float(covered(y, low, high).mean())
        scores[f"{level:g}"] = float(interval_score(y, low, high, level).mean())
    return {
        "sales": int(rows.sum()),
        **{name: _written(figure) for name, figure in study.items()},
        "coverage": coverage,
        "interval_scores": scores,
        "interval_score": scores.get(f"{SCORE_LEVEL:g}"),
    }


def _written(figure: Figure) -> dict[str, float | None]:
    pairs = (("value", figure.value), ("low", figure.low), ("high", figure.high))
    return {name: None if np.isnan(x) else x for name, x in pairs}


def study(judged: Judged, *, draws: int = 1000) -> dict[str, Any]:
    """Return the figures of all sales and of each group, as JSON.

    `first`, `last`: days of the first and last sale. `overall`: figures of all sales. `groups`: grouping →
    group → figures.
    """
    groups = groupings(judged.sales, np.exp(judged.center), judged.weights)
    days = [sale.day for sale in judged.sales]
    return {
        "first": min(days).isoformat(),
        "last": max(days).isoformat(),
        "overall": figures(judged, draws=draws),
        "groups": {
            name: {group: figures(judged, mask, draws=draws // 5) for group, mask in masks.items()}
            for name, masks in groups.items()
        },
    }
