"""The likely values of an unknown field, from records of similar instruments."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.domain.catalogue import Model
from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Instrument, Value
from models.domain.names import normal
from models.domain.vocabulary import Field, Kind

# The records of all models together weigh as much as this many records of the subject's model.
_PRIOR = 8.0
_MOST = 6  # Most answers to one question; only the likeliest are kept.
_MIDDLES = (0.1, 0.3, 0.5, 0.7, 0.9)  # The quantiles of known numbers that serve as likely answers.
_RARE = 0.01  # An answer with a smaller chance is left out.


@dataclass(frozen=True)
class Answer:
    """One likely value of an unknown field, with its chance; the chances of a field's answers sum to 1."""

    value: Value
    chance: float


def likely_answers(
    snapshot: EvidenceSnapshot, model: Model, it: Instrument, field: Field
) -> tuple[Answer, ...]:
    """Return the likely values of an unknown field, likeliest first; () where nothing is known of the field.

    Chances of terms, flags and grades are frequencies in records of the same model, shrunk towards those in
    all records. Chances of finishes also use the catalogue's shares of production. Numbers are represented by
    five quantiles of the known ones. `it`: with names spelled as in the catalogue.
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
    """Return known value → number of records at these positions; grades are rounded to whole ones."""
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
    """Return the field's values in records of the model; limits for edition numbers and too few years."""
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
    counts = Counter(round(middle) if whole else round(middle, 2) for middle in middles)
    return _normed(list(counts.items()))


def _normed(weights: Sequence[tuple[Value, float]]) -> tuple[Answer, ...]:
    ordered = sorted(weights, key=lambda pair: (-pair[1], str(pair[0])))[:_MOST]
    total = sum(w for _, w in ordered)
    kept = [(v, w) for v, w in ordered if w >= _RARE * total]
    total = sum(w for _, w in kept)
    return tuple(Answer(v, w / total) for v, w in kept)
