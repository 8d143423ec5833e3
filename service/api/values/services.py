"""Value what was asked, and turn the valuation into an answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from models.domain.instrument import Subject
from models.price.interface import EVIDENCE_WORDS
from models.valuation.cautions import Caution
from models.valuation.claims import Claim
from models.valuation.factors import FamilyEffect
from models.valuation.valuer import Interval, Valuation, ValueEstimate
from service.context import bundle, context
from service.http.schemas import moment


@dataclass(frozen=True, slots=True)
class ValuationRequest:
    """A request for a value: the subject, the currency, and the levels of the ranges."""

    subject: Subject
    currency: str
    levels: Sequence[float]


def today() -> date:
    """The day in UTC."""
    return datetime.now(UTC).date()


def value(wanted: ValuationRequest) -> Valuation:
    """The valuation by this request's bundle. Raises InputError for a currency without a rate that day."""
    found = bundle().valuer.value(wanted.subject, wanted.currency, wanted.levels)
    context().figures.valued(found.evidence.word)
    return found


def ranged(wanted: ValuationRequest) -> ValueEstimate:
    """The figures of that valuation, without the work of explaining them. Raises as `value`."""
    found = bundle().valuer.ranged(wanted.subject, wanted.currency, wanted.levels)
    context().figures.valued(found.evidence.word)
    return found


def intervals_answer(found: ValueEstimate) -> dict[str, Any]:
    """The value and its ranges; money as decimal text."""
    return {
        "date": found.day,
        "channel": found.channel,
        "currency": found.currency,
        "rate_day": found.rate_day,
        "rate_source": found.rate_source,
        "value": str(found.value),
        "intervals": [interval_entry(interval) for interval in found.intervals],
        "evidence": {
            "word": found.evidence.word,
            "meaning": EVIDENCE_WORDS[found.evidence.word],
            "direct_sales": found.evidence.direct_sales,
            "effective_sales": found.evidence.effective_sales,
            "last": found.last_evidence,
        },
        "cautions": [caution_entry(caution) for caution in found.cautions],
        "model_version": found.model_version,
        "provisional": found.provisional,
    }


def attributions_answer(found: Valuation) -> dict[str, Any]:
    """The value, its ranges and its reasons."""
    return {
        **intervals_answer(found),
        "reference": {"instrument": found.reference.to_nested(), "value": str(found.reference_value)},
        "attributions": [_family(family) for family in found.families],
        "basis": found.basis,
        "assumed": [{"field": a.field, "value": a.value, "reason": a.reason} for a in found.assumed],
        "unknown": list(found.unknown),
        "claims": [_claim(claim) for claim in found.claims],
    }


def valuation_answer(found: Valuation, record_id: str, created: datetime) -> dict[str, Any]:
    """All that is known of a valuation that is kept."""
    return {
        "id": record_id,
        "created": moment(created),
        "instrument": found.instrument.to_nested(),
        **attributions_answer(found),
    }


def interval_entry(found: Interval) -> dict[str, Any]:
    """One range as it is answered."""
    return {"level": found.level, "low": str(found.low), "high": str(found.high)}


def caution_entry(caution: Caution) -> dict[str, Any]:
    """One caution as it is answered."""
    return {"code": caution.code, "text": caution.text, "field": caution.field, "as_of": caution.as_of}


def _claim(claim: Claim) -> dict[str, Any]:
    return {
        "field": claim.field,
        "label": claim.label,
        "amount": str(claim.amount),
        "share": claim.share,
        "proof": claim.proof,
    }


def _family(family: FamilyEffect) -> dict[str, Any]:
    factors = [
        {
            "field": factor.field,
            "label": factor.label,
            "observed": factor.observed,
            "reference": factor.reference,
            "effect": factor.effect,
            "amount": str(factor.amount),
            "basis": factor.basis,
        }
        for factor in family.factors
    ]
    return {
        "family": family.family,
        "effect": family.effect,
        "amount": str(family.amount),
        "basis": family.basis,
        "factors": factors,
    }
