"""Make the answer with the vocabulary."""

from __future__ import annotations

from typing import Any

from models.domain.vocabulary import (
    CHANNELS,
    DEFAULT_CHANNEL,
    DEFAULT_LEVELS,
    FIELDS,
    KINDS,
    Family,
    Term,
)
from models.price.interface import EVIDENCE_WORDS
from models.valuation.cautions import BESIDE, CODES
from models.valuation.levels import LEAST_LEVEL, MOST_LEVEL, MOST_LEVELS
from service.api.vocabulary.schemas import dump_field, dump_term
from service.context import bundle


def vocabulary() -> dict[str, Any]:
    """Return all fields and all words of answers, for building a form and for reading answers."""
    rates = bundle().valuer.rates
    return {
        "fields": [dump_field(field) for field in FIELDS],
        "families": list(Family),
        "channels": [dump_term(term) for term in CHANNELS],
        "default_channel": DEFAULT_CHANNEL,
        "kinds": [dump_term(term) for term in KINDS],
        "evidence": [dump_term(Term(*item)) for item in EVIDENCE_WORDS.items()],
        "cautions": [dump_term(Term(*item)) for item in (CODES | BESIDE).items()],
        "levels": {
            "default": list(DEFAULT_LEVELS),
            "low": LEAST_LEVEL,
            "high": MOST_LEVEL,
            "most": MOST_LEVELS,
        },
        "currencies": list(rates.currencies),
    }
