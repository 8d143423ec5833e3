"""The likely answers for an unknown field, from what the evidence knows of such instruments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.domain.catalogue import Model
from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Instrument, Value
from models.domain.names import normal
from models.domain.vocabulary import Field, Kind

# Records of all models count together as this many of the subject's own.
_PRIOR = 8.0
_MOST = 6  # answers to one question; the rarest beyond are left out
_MIDDLES = (0.1, 0.3, 0.5, 0.7, 0.9)  # a number that is not a grade is looked at in five equal parts
_RARE = 0.01


@dataclass(frozen=True)
class Answer:
    """One value that a field may turn out to have, and how likely; the chances of a field sum to 1."""

    value: Value
    chance: float


def likely_answers(
    snapshot: EvidenceSnapshot, model: Model, it: Instrument, field: Field
) -> tuple[Answer, ...]:
    """Likeliest first; () where nothing is known of the field. `it`: canonical, the field unknown.

    Terms, flags and grades by their frequency among records of the same model that know the field, shrunk
    towards that among all records; finishes among those of the model; numbers by five parts of what is known.
    """
    if field.kind in (Kind.INTEGER, Kind.NUMBER):
        return _parts(_numbers(snapshot, model, it, field), field.kind is Kind.INTEGER)
    own = _counts(snapshot, field, snapshot.of_model(model.maker, model.name))
    if field.path == "finish":
        return _finishes(model, own)
    if field.kind is Kind.TEXT:
        return ()
    all_records = _counts(snapshot, field, np.arange(len(snapshot)))
    total = sum(all_records.values())
    if not total:
        return ()
    weight = {v: own.get(v, 0.0) + _PRIOR * n / total for v, n in all_records.items()}
    return _normed(list(weight.items()))


def _counts(snapshot: EvidenceSnapshot, field: Field, positions: np.ndarray) -> dict[Value, float]:
    """Known value → records; grades between two whole ones count as the nearer."""
    out: dict[Value, float] = {}
    found = np.bincount(snapshot.codes[field.flat][positions], minlength=len(snapshot.words[field.flat]))
    for value, count in zip(snapshot.values(field.flat), found.tolist(), strict=True):
        if value is None or not count:
            continue
        key = float(round(float(value))) if field.kind is Kind.GRADE else value
        out[key] = out.get(key, 0.0) + count
    return out


def _finishes(model: Model, own: dict[Value, float]) -> tuple[Answer, ...]:
    weight = {f.name: own.get(f.name, 0.0) + _PRIOR * (f.share or 0.0) for f in model.finishes}
    offered = {normal(name) for name in weight}
    weight |= {str(v): n for v, n in own.items() if normal(str(v)) not in offered}
    return _normed([(name, n) for name, n in weight.items() if n])


def _numbers(snapshot: EvidenceSnapshot, model: Model, it: Instrument, field: Field) -> list[float]:
    """Known values of the field on such instruments; of the catalogue's where the evidence has too few."""
    if field.path == "edition_number":
        edition = model.edition(it.edition)
        total = edition.production_total if edition else None
        return [1.0, float(total)] if total else []
    positions = snapshot.of_model(model.maker, model.name)
    if it.edition and field.path == "year":
        positions = positions[snapshot.codes["edition"][positions] == snapshot.code("edition", it.edition)]
    values = snapshot.values(field.flat)
    known = [
        float(v) for v in (values[c] for c in snapshot.codes[field.flat][positions].tolist()) if v is not None
    ]
    if field.path == "year" and len(known) < len(_MIDDLES):
        edition = model.edition(it.edition)
        first = edition.first_year if edition and edition.first_year else model.first_year
        last = edition.last_year if edition and edition.last_year else model.last_year
        return [float(first), float(last)]
    return known


def _parts(known: Sequence[float], whole: bool) -> tuple[Answer, ...]:
    if not known:
        return ()
    middles = np.quantile(np.array(known), _MIDDLES).tolist()
    counts: dict[Value, float] = {}
    for middle in middles:
        key = round(middle) if whole else round(middle, 2)
        counts[key] = counts.get(key, 0.0) + 1.0
    return _normed(list(counts.items()))


def _normed(weights: Sequence[tuple[Value, float]]) -> tuple[Answer, ...]:
    ordered = sorted(weights, key=lambda pair: (-pair[1], str(pair[0])))[:_MOST]
    total = sum(w for _, w in ordered)
    kept = [(v, w) for v, w in ordered if w >= _RARE * total]
    total = sum(w for _, w in kept)
    return tuple(Answer(v, w / total) for v, w in kept)
