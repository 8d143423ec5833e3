"""Find the records of a model that look most like a subject, by codes alone and without the price model."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.instrument import Subject
from models.kept import Kept
from models.price.features import LOSSES, STEPS_OF, ordinal
from models.vocabulary import BY_FLAT

_ASSIGNED = 3.0  # another edition or build: further away than anything that the other fields can add up to
_OTHER = 0.3  # another finish, or not known whether
_YEARS_SOLD, _YEARS_MADE = 0.1, 0.03


def nearest(kept: Kept, places: NDArray[np.int64], subject: Subject, count: int) -> NDArray[np.int64]:
    """At most `count` of these places, nearest first; ties by age, newest first."""
    if not len(places):
        return places
    apart = (
        np.abs(kept.days[places] - subject.day.toordinal()) / 365.25 * _YEARS_SOLD,
        _far(kept, places, subject, "edition", _ASSIGNED),
        _far(kept, places, subject, "build", _ASSIGNED, "production"),
        _far(kept, places, subject, "finish", _OTHER),
        _numbers(kept, places, "year", _YEARS_MADE, subject.instrument.year),
        _numbers(kept, places, "figure", 0.1, subject.instrument.figure),
        *(_losses(kept, places, subject, flat) for flat in LOSSES),
    )
    order = np.lexsort((-kept.days[places], np.sum(apart, axis=0)))
    return np.asarray(places[order[:count]])


def _column(kept: Kept, places: NDArray[np.int64], flat: str, of_word: list[float]) -> NDArray[np.float64]:
    return np.asarray(np.array(of_word)[kept.codes[flat][places]], np.float64)


def _far(
    kept: Kept, places: NDArray[np.int64], subject: Subject, flat: str, cost: float, empty: str | None = None
) -> NDArray[np.float64]:
    own = subject.instrument.get(BY_FLAT[flat]) or empty
    return _column(kept, places, flat, [cost * ((v or empty) != own) for v in kept.values(flat)])


def _numbers(
    kept: Kept, places: NDArray[np.int64], flat: str, each: float, own: float | None
) -> NDArray[np.float64]:
    if own is None:
        return np.zeros(len(places))
    apart = [_OTHER if v is None else each * abs(float(v) - own) for v in kept.values(flat)]
    return _column(kept, places, flat, apart)


def _losses(kept: Kept, places: NDArray[np.int64], subject: Subject, flat: str) -> NDArray[np.float64]:
    own = ordinal(flat, subject.instrument.get(BY_FLAT[flat]))
    theirs = np.array([ordinal(flat, v) for v in kept.values(flat)])
    apart = np.abs(theirs - own) / STEPS_OF[flat]
    both_unknown = np.isnan(theirs) & np.isnan(own)
    apart = np.where(both_unknown, 0.0, np.where(np.isnan(apart), _OTHER, apart))
    return _column(kept, places, flat, apart.tolist())
