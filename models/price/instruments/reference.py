"""The reference of an explanation: a typical clean instrument of the subject's model."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from models.domain.instrument import Instrument, Subject, Value
from models.domain.vocabulary import FIELDS, Kind
from models.price.evaluator.encoding import Answers

_WEAR = 1.0  # Traces of wear, the grade of a clean, used instrument.


@dataclass(frozen=True)
class Typical:
    """The typical values of one model's fields; None where neither catalogue nor evidence has one.

    `answers`: flat field → likely values of a blank, each with its chance; the chances of a field sum to 1.
    """

    year: int
    finish: str | None
    figure: float | None
    weight_kg: float | None
    answers: Mapping[str, Answers] = field(default_factory=dict)


# Field → its value in a clean instrument: traces of wear, sound, working and original, with its own case.
CLEAN: Mapping[str, Value] = {
    **{f.flat: _WEAR if f.kind is Kind.GRADE else f.names[0] for f in FIELDS if f.loss_ordered},
    "build": "production",
    "provenance_history": "none",
    "provenance_paperwork": False,
    "provenance_case": "original",
}


def reference_of(subject: Subject, typical: Typical) -> Subject:
    """Return the typical instrument of the subject's model, without edition, on the same day and channel."""
    it = subject.instrument
    own = {name: getattr(typical, name) for name in ("year", "finish", "figure", "weight_kg")}
    reference = Instrument(it.maker, it.model, **{**CLEAN, **own})
    return Subject(reference, subject.day, subject.channel)
