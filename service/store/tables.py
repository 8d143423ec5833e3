"""Every noun's table, gathered for the migrations."""

from service.idempotency.table import CLAIMS
from service.keys.table import KEYS, SECRETS
from service.store.base import METADATA
from service.valuations.table import VALUATIONS

__all__ = ["CLAIMS", "KEYS", "METADATA", "SECRETS", "VALUATIONS"]
