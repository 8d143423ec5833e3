"""Find the records of a model that are most like a subject, by a fast distance without the price model."""

import numpy as np
from numpy.typing import NDArray

from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import BY_FLAT
from models.price.core.basis import Floats
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
    it = subject.instrument
    cost_of_word = {
        "edition": _far(snapshot, it, "edition", _ASSIGNED),
        "build": _far(snapshot, it, "build", _ASSIGNED, "production"),
        "finish": _far(snapshot, it, "finish", _OTHER),
        "year": _numbers(snapshot, "year", _YEARS_MADE, it.year),
        "figure": _numbers(snapshot, "figure", 0.1, it.figure),
        **{flat: _losses(snapshot, it, flat) for flat in LOSSES},
    }
    days = np.abs(snapshot.days[positions] - subject.day.toordinal()) / 365.25 * _YEARS_SOLD
    fields = [np.array(costs)[snapshot.codes[flat][positions]] for flat, costs in cost_of_word.items()]
    order = np.lexsort((-snapshot.days[positions], np.sum([days, *fields], axis=0)))
    return np.asarray(positions[order[:count]])


def _far(
    snapshot: EvidenceSnapshot, it: Instrument, flat: str, cost: float, empty: str | None = None
) -> list[float]:
    own = it.get(BY_FLAT[flat]) or empty
    return [cost * ((v or empty) != own) for v in snapshot.values(flat)]


def _numbers(snapshot: EvidenceSnapshot, flat: str, each: float, own: float | None) -> list[float]:
    values = snapshot.values(flat)
    if own is None:
        return [0.0] * len(values)
    return [_OTHER if v is None else each * abs(float(v) - own) for v in values]


def _losses(snapshot: EvidenceSnapshot, it: Instrument, flat: str) -> Floats:
    own = ordinal(flat, it.get(BY_FLAT[flat]))
    theirs = np.array([ordinal(flat, v) for v in snapshot.values(flat)])
    apart = np.abs(theirs - own) / STEPS_OF[flat]
    both_unknown = np.isnan(theirs) & np.isnan(own)
    return np.where(both_unknown, 0.0, np.where(np.isnan(apart), _OTHER, apart))
