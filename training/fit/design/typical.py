"""Find the typical instrument of each model: from the catalogue if it says, else from the evidence."""

from collections import Counter
from collections.abc import Sequence
from statistics import median_low

from models.domain.catalogue import Catalogue, Model
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Instrument, Subject
from models.domain.names import normal
from models.domain.vocabulary import BY_FLAT, DEFAULT_CHANNEL
from models.insights.answers import likely_answers
from models.price.evaluator.encoding import Answers
from models.price.instruments.features import BLANKS, model_key
from models.price.instruments.reference import Typical


def typical_of(rows: Sequence[Evidence], catalogue: Catalogue) -> dict[str, Typical]:
    """Return the typical values of every model in the catalogue, by model key."""
    known: dict[str, list[Instrument]] = {}
    snapshot = EvidenceSnapshot.of(rows)
    for e in rows:
        known.setdefault(model_key(e.subject), []).append(e.instrument)
    out = {}
    for model in catalogue.models:
        subject = Subject(Instrument(model.maker, model.name), rows[0].day, DEFAULT_CHANNEL)
        key = model_key(subject)
        out[key] = _typical(model, known.get(key, []), _answers(snapshot, model))
    return out


def _answers(snapshot: EvidenceSnapshot, model: Model) -> dict[str, Answers]:
    it = Instrument(model.maker, model.name)
    found = {flat: likely_answers(snapshot, model, it, BY_FLAT[flat]) for flat in BLANKS.values()}
    return {flat: [(a.value, a.chance) for a in answers] for flat, answers in found.items()}


def _typical(model: Model, specimens: Sequence[Instrument], answers: dict[str, Answers]) -> Typical:
    figures = [s.figure for s in specimens if s.figure is not None]
    weights = [s.weight_kg for s in specimens if s.weight_kg is not None]
    return Typical(
        year=(model.first_year + model.last_year) // 2,
        finish=_commonest_finish(model, specimens),
        figure=0.0 if model.figured_top is False else median_low(figures) if figures else None,
        weight_kg=median_low(weights) if weights else None,
        answers=answers,
    )


def _commonest_finish(model: Model, specimens: Sequence[Instrument]) -> str | None:
    shares = [f for f in model.finishes if f.share is not None]
    if len(shares) == len(model.finishes) and shares:
        return max(shares, key=lambda f: f.share or 0.0).name
    seen = Counter(normal(s.finish) for s in specimens if s.finish and not s.edition)
    offered = {normal(f.name): f.name for f in model.finishes}
    for name, _ in sorted(seen.items(), key=lambda item: (-item[1], item[0])):
        if name in offered:
            return offered[name]
    return model.finishes[0].name if model.finishes else None
