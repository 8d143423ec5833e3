"""Find the records of a model that are most like a subject, by a fast distance without the price model."""

import numpy as np
from numpy.typing import NDArray

from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Subject
from models.domain.vocabulary import BY_FLAT
from models.price.instruments.features import LOSSES, STEPS_OF, ordinal

_ASSIGNED = 3.0  # Distance of another edition or build.
_OTHER = 0.3  # Distance of another finish, and of most fields that are blank in only one of the two.
_YEARS_SOLD, _YEARS_MADE = 0.1, 0.03  # Distance for each year between the days, and between the years made.


def nearest(
    snapshot: EvidenceSnapshot, positions: NDArray[np.int64], subject: Subject, count: int
) -> NDArray[np.int64]:
    """Return at most `count` of these positions of records, most like the subject first; ties by newest."""
    if not len(positions):
        return positions
    apart = (
        np.abs(snapshot.days[positions] - subject.day.toordinal()) / 365.25 * _YEARS_SOLD,
        _far(snapshot, positions, subject, "edition", _ASSIGNED),
        _far(snapshot, positions, subject, "build", _ASSIGNED, "production"),
        _far(snapshot, positions, subject, "finish", _OTHER),
        _numbers(snapshot, positions, "year", _YEARS_MADE, subject.instrument.year),
        _numbers(snapshot, positions, "figure", 0.1, subject.instrument.figure),
        *(_losses(snapshot, positions, subject, flat) for flat in LOSSES),
    )
    order = np.lexsort((-snapshot.days[positions], np.sum(apart, axis=0)))
    return np.asarray(positions[order[:count]])


def _column(
    snapshot: EvidenceSnapshot, positions: NDArray[np.int64], flat: str, of_word: list[float]
) -> NDArray[np.float64]:
    return np.asarray(np.array(of_word)[snapshot.codes[flat][positions]], np.float64)


def _far(
    snapshot: EvidenceSnapshot,
    positions: NDArray[np.int64],
    subject: Subject,
    flat: str,
    cost: float,
    empty: str | None = None,
) -> NDArray[np.float64]:
    own = subject.instrument.get(BY_FLAT[flat]) or empty
    return _column(snapshot, positions, flat, [cost * ((v or empty) != own) for v in snapshot.values(flat)])


def _numbers(
    snapshot: EvidenceSnapshot, positions: NDArray[np.int64], flat: str, each: float, own: float | None
) -> NDArray[np.float64]:
    if own is None:
        return np.zeros(len(positions))
    apart = [_OTHER if v is None else each * abs(float(v) - own) for v in snapshot.values(flat)]
    return _column(snapshot, positions, flat, apart)


def _losses(
    snapshot: EvidenceSnapshot, positions: NDArray[np.int64], subject: Subject, flat: str
) -> NDArray[np.float64]:
    own = ordinal(flat, subject.instrument.get(BY_FLAT[flat]))
    theirs = np.array([ordinal(flat, v) for v in snapshot.values(flat)])
    apart = np.abs(theirs - own) / STEPS_OF[flat]
    both_unknown = np.isnan(theirs) & np.isnan(own)
    apart = np.where(both_unknown, 0.0, np.where(np.isnan(apart), _OTHER, apart))
    return _column(snapshot, positions, flat, apart.tolist())
