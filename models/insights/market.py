"""The market index of a subject's model: the value of its typical instrument over time."""

from dataclasses import dataclass
from datetime import date
from statistics import NormalDist

import numpy as np

from models.domain.instrument import Subject
from models.valuation.valuer import Valuer

BAND = 0.8
_POINTS = 48  # Most days of an index; they are evenly spaced.
_LEAST_DAYS = 90  # Fewest days between two points of an index.
_WITHOUT_EVIDENCE = 5 * 365  # Days that an index covers if the bundle carries no evidence.


@dataclass(frozen=True)
class MarketIndex:
    """The value of a typical instrument over time, as an index that is 100 on the last day.

    `low`, `high`: ends of an 80% range of the change between each day and the last; on the last day both are
    100. `last_evidence`: after this day the price trend is continued for at most a year, then kept level.
    """

    days: tuple[date, ...]
    level: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    last_evidence: date | None


def market_index(valuer: Valuer, subject: Subject) -> MarketIndex:
    """Return the index in the subject's channel, from the first evidence on. Raises UnknownNameError."""
    canonical = valuer.canonical(subject)
    reference = valuer.model.reference(canonical).instrument
    days = _days(valuer, canonical.day)
    then = [Subject(reference, day, canonical.channel) for day in days]
    center = valuer.model.center(then)
    change = center - center[-1]
    half = NormalDist().inv_cdf((1 + BAND) / 2) * valuer.model.difference_sd(then, then[-1:])
    return MarketIndex(
        days=tuple(days),
        level=_hundred(change),
        low=_hundred(change - half),
        high=_hundred(change + half),
        last_evidence=valuer.model.last_evidence,
    )


def _hundred(change: np.ndarray) -> tuple[float, ...]:
    return tuple((100 * np.exp(change)).tolist())


def _days(valuer: Valuer, last: date) -> list[date]:
    end = last.toordinal()
    start = int(valuer.snapshot.days[0]) if len(valuer.snapshot) else end - _WITHOUT_EVIDENCE
    start = min(start, end - _LEAST_DAYS)
    points = min(_POINTS, (end - start) // _LEAST_DAYS + 1)
    return [date.fromordinal(round(d)) for d in np.linspace(start, end, max(points, 2)).tolist()]
