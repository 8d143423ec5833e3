"""The typical instrument of a model: what a practitioner would call a typical clean one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from models.domain.instrument import Instrument, Subject, Value
from models.domain.vocabulary import FIELDS, Kind
from models.price.evaluator.encoding import Answers

_WEAR = 1.0  # traces: what a clean, used instrument shows


@dataclass(frozen=True)
class Typical:
    """The commonest or middling values of one model; None where neither catalogue nor evidence says.

    `answers`: flat field → the values that a blank one may have, each with its chance; the chances of a field
    sum to 1.
    """

    year: int
    finish: str | None
    figure: float | None
    weight_kg: float | None
    answers: Mapping[str, Answers] = field(default_factory=dict)


# Traces of wear, everything working, sound and original; no special history, its own case.
CLEAN: Mapping[str, Value] = {
    **{f.flat: _WEAR if f.kind is Kind.GRADE else f.names[0] for f in FIELDS if f.loss_ordered},
    "build": "production",
    "provenance_history": "none",
    "provenance_paperwork": False,
    "provenance_case": "original",
}


def reference_of(subject: Subject, typical: Typical) -> Subject:
    """A typical standard instrument of the subject's model, on its day and in its channel."""
    it = subject.instrument
    own = {name: getattr(typical, name) for name in ("year", "finish", "figure", "weight_kg")}
    reference = Instrument(it.maker, it.model, **{**CLEAN, **own})
    return Subject(reference, subject.day, subject.channel)
