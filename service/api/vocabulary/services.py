"""The vocabulary as an answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from models.cautions import BESIDE, CODES
from models.levels import LEAST_LEVEL, MOST_LEVEL, MOST_LEVELS
from models.price.interface import EVIDENCE_WORDS
from models.vocabulary import (
    CHANNELS,
    DEFAULT_CHANNEL,
    DEFAULT_LEVELS,
    FIELDS,
    KINDS,
    Family,
    Field,
    Kind,
    Term,
)
from service.api.vocabulary.instrument import REQUIRED
from service.context import bundle


def vocabulary() -> dict[str, Any]:
    """Everything that a form and a reader of answers need to know."""
    rates = bundle().valuer.rates
    return {
        "fields": [field_entry(field) for field in FIELDS],
        "families": list(Family),
        "channels": _terms(CHANNELS),
        "default_channel": DEFAULT_CHANNEL,
        "kinds": _terms(KINDS),
        "evidence": [{"name": word, "meaning": meaning} for word, meaning in EVIDENCE_WORDS.items()],
        "cautions": [{"name": code, "meaning": meaning} for code, meaning in (CODES | BESIDE).items()],
        "levels": {
            "default": list(DEFAULT_LEVELS),
            "low": LEAST_LEVEL,
            "high": MOST_LEVEL,
            "most": MOST_LEVELS,
        },
        "currencies": list(rates.currencies),
    }


def field_entry(field: Field) -> dict[str, Any]:
    """One field, as a form needs it."""
    graded = field.kind is Kind.GRADE
    return {
        "path": field.path,
        "name": field.flat,
        "type": field.kind,
        "label": field.label,
        "meaning": field.meaning,
        "family": field.family,
        "required": field.path in REQUIRED,
        "terms": _terms(field.terms),
        "low": field.low,
        "high": field.high,
        "between_terms": graded,
        "loss_ordered": field.loss_ordered,
    }


def _terms(terms: Sequence[Term]) -> list[dict[str, str]]:
    return [{"name": term.name, "meaning": term.meaning} for term in terms]
