"""Make the answer with the vocabulary."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from models.costs import MOST_LEVELS
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
from models.valuation.caution_texts import BESIDE, CODES
from models.valuation.levels import LEAST_LEVEL, MOST_LEVEL
from service.api.vocabulary.schemas import dump_vocabulary
from service.context import bundle, today


def vocabulary() -> dict[str, Any]:
    """Everything that a form and a reader of answers need to know."""
    levels = SimpleNamespace(default=DEFAULT_LEVELS, low=LEAST_LEVEL, high=MOST_LEVEL, most=MOST_LEVELS)
    return dump_vocabulary(
        SimpleNamespace(
            fields=FIELDS,
            families=Family,
            channels=CHANNELS,
            default_channel=DEFAULT_CHANNEL,
            kinds=KINDS,
            evidence=[Term(*item) for item in EVIDENCE_WORDS.items()],
            cautions=[Term(*item) for item in (CODES | BESIDE).items()],
            levels=levels,
            currencies=bundle().valuer.rates.quoted_on(today()),
        )
    )
