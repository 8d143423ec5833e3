"""Choose the sales that are kept out of a fit for judging: the latest ones, as a valuer would meet them next.

A bundle is judged by its holdout model: the same procedure fitted on everything before the first sale kept
out. Then the model itself is fitted again on everything, so that the newest sales are not wasted.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from models.domain.evidence import Evidence
from models.study.judge import only_sales

MONTHS = 10
_DAYS_A_MONTH = 365.25 / 12
# Largest share of the sales kept out: a holdout model fitted on much less says little of the final one.
MOST = 1 / 3
LEAST = 20  # Fewest sales on either side of the split; with fewer, nothing is kept out.


@dataclass(frozen=True)
class Split:
    """Evidence split at the day `first`. `before`: all evidence before it; `kept`: the sales from it on."""

    before: tuple[Evidence, ...]
    kept: tuple[Evidence, ...]
    first: date | None


def split_by_time(rows: Sequence[Evidence], months: float = MONTHS) -> Split:
    """Keep out the sales of the last `months`, at most a share `MOST`. Askings and offers since then go too.

    With fewer than `LEAST` sales on either side nothing is kept out and `first` is None.
    """
    sales = sorted(only_sales(rows), key=lambda row: row.day)
    if not sales or months <= 0:
        return Split(tuple(rows), (), None)
    first = sales[-1].day - timedelta(days=months * _DAYS_A_MONTH)
    # The split lies between two days, as the sales of one day have no order.
    latest = sales[int(len(sales) * (1 - MOST))].day
    return split_at(rows, max(first, latest))


def split_at(rows: Sequence[Evidence], first: date) -> Split:
    """Keep out the sales of this day and later, if there are at least `LEAST` sales on either side."""
    before = tuple(row for row in rows if row.day < first)
    kept = tuple(row for row in only_sales(rows) if row.day >= first)
    if len(kept) < LEAST or len(only_sales(before)) < LEAST:
        return Split(tuple(rows), (), None)
    return Split(before, kept, first)
