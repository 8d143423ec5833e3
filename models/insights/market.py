"""The market index that a value rests on: what the same typical instrument was worth over time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from statistics import NormalDist

import numpy as np

from models.domain.instrument import Subject
from models.valuation.valuer import Valuer

BAND = 0.8
_POINTS = 48  # at most, evenly spaced
_LEAST_DAYS = 90  # between two of them
_WITHOUT_EVIDENCE = 5 * 365  # days shown where the bundle carries no evidence


@dataclass(frozen=True)
class MarketIndex:
    """`level`: the typical instrument's value on each day, 100 on the last; `low`, `high`: its 80% band.

    The band is of the change between that day and the last: it closes there. `last_evidence`: after it the
    price trend is continued for at most a year, then kept level.
    """

    days: tuple[date, ...]
    level: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    last_evidence: date | None


def market_index(valuer: Valuer, subject: Subject) -> MarketIndex:
    """From the first evidence to the subject's day, in its channel. Raises UnknownNameError."""
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
