"""Value the instrument of a request."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from models.domain.instrument import Subject
from models.valuation.valuer import Valuation, ValueEstimate
from service.context import bundle, context


@dataclass(frozen=True, slots=True)
class ValuationRequest:
    """A request for a value: the subject, the currency, and the levels of the ranges."""

    subject: Subject
    currency: str
    levels: Sequence[float]


def value(wanted: ValuationRequest) -> Valuation:
    """Make a valuation by this request's bundle. Raises InputError for a currency without a rate that day."""
    found = bundle().valuer.value(wanted.subject, wanted.currency, wanted.levels)
    context().figures.valued(found.evidence.word)
    return found


def ranged(wanted: ValuationRequest) -> ValueEstimate:
    """Return the value and ranges alone, without reasons, which takes less time. Raises as `value`."""
    found = bundle().valuer.ranged(wanted.subject, wanted.currency, wanted.levels)
    context().figures.valued(found.evidence.word)
    return found
