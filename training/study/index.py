"""Price indices from specimens sold more than once: an outside check on the model's own market index."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.price.core.basis import Floats
from models.study.judge import only_sales


@dataclass(frozen=True)
class Pair:
    """One specimen sold at `first_price` in period `first` and at `second_price` in a later one."""

    first: int
    second: int
    first_price: float
    second_price: float


def repeat_sales(pairs: Sequence[Pair], periods: int) -> Floats:
    """Return a (periods,) price index, 1 in the first period, by least squares on the log returns of pairs.

    This is the repeat-sales method of Bailey, Muth & Nourse (1963). Pairs within one period are not used. A
    period that no chain of pairs connects to the first is NaN.
    """
    used = [pair for pair in pairs if pair.first != pair.second]
    design = np.zeros((len(used), periods))
    for row, pair in enumerate(used):
        design[row, pair.first], design[row, pair.second] = -1.0, 1.0
    returns = np.log([pair.second_price / pair.first_price for pair in used])
    logs = np.linalg.lstsq(design[:, 1:], returns, rcond=None)[0]
    return _where_tied(used, periods, np.exp(logs))


def _where_tied(pairs: Sequence[Pair], periods: int, later: Floats) -> Floats:
    tied, grew = {0}, True
    while grew:
        more = {p for pair in pairs if {pair.first, pair.second} & tied for p in (pair.first, pair.second)}
        grew = not more <= tied
        tied |= more
    index = np.concatenate([[1.0], later])
    index[[period for period in range(periods) if period not in tied]] = np.nan
    return index


def resold(rows: Sequence[Evidence], rates: Rates) -> tuple[list[Pair], list[int]]:
    """Return the pairs of consecutive sales of one serial number of a model, and the list of all years.

    A pair's periods are positions in that list. Prices are in US dollars. Changes to a specimen between its
    sales are not allowed for.
    """
    sales = sorted(only_sales(rows), key=lambda row: (row.day, row.id))
    by_specimen: dict[str, list[Evidence]] = defaultdict(list)
    for sale in sales:
        by_specimen[sale.specimen].append(sale)
    if not sales:
        return [], []
    years = list(range(sales[0].day.year, sales[-1].day.year + 1))
    pairs = [
        Pair(a.day.year - years[0], b.day.year - years[0], a.usd(rates), b.usd(rates))
        for chain in by_specimen.values()
        for a, b in pairwise(chain)
    ]
    return pairs, years
