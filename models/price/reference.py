"""The reference specimen: what a practitioner would call a typical clean example of a model."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from models.instrument import Instrument, Subject, Value
from models.vocabulary import FIELDS, Family, Kind

_WEAR = 1.0  # traces: what a clean, used instrument shows


@dataclass(frozen=True)
class Typical:
    """What is commonest or middling of one model; None where the evidence does not say."""

    year: int
    finish: str | None
    figure: float | None
    weight_kg: float | None

    def state(self) -> dict[str, Any]:
        """As JSON."""
        return asdict(self)


def _clean() -> dict[str, Value]:
    """Traces of wear, everything working, sound and original; no special history, its own case."""
    values: dict[str, Value] = {}
    for field in FIELDS:
        if field.kind is Kind.GRADE and field.family is Family.CONDITION:
            values[field.flat] = _WEAR
        elif field.loss_ordered:
            values[field.flat] = field.names[0]
    return values | {
        "build": "production",
        "provenance_history": "none",
        "provenance_paperwork": False,
        "provenance_case": "original",
    }


_CLEAN = _clean()


def reference_of(subject: Subject, typical: Typical) -> Subject:
    """A typical clean standard specimen of the subject's model, on its day and in its channel."""
    it = subject.instrument
    reference = Instrument(it.maker, it.model, **{**_CLEAN, **typical.state()})
    return Subject(reference, subject.day, subject.channel)
