"""Every noun's table, gathered for the migrations."""

from service.evidence.table import CHANGES, EVIDENCE
from service.idempotency.table import ANSWERS, CLAIMS
from service.keys.table import KEYS, SECRETS
from service.outcomes.table import OUTCOMES
from service.store.base import METADATA
from service.valuations.table import VALUATIONS

__all__ = [
    "ANSWERS",
    "CHANGES",
    "CLAIMS",
    "EVIDENCE",
    "KEYS",
    "METADATA",
    "OUTCOMES",
    "SECRETS",
    "VALUATIONS",
]
