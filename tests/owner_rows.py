"""The row of an owner's request, as tests write it into a database."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any


def request_row(request_id: str, key_id: str, link_digest: str) -> dict[str, Any]:
    """A request that a form with this key has just made, opened by the link of this digest."""
    now = datetime.now(UTC)
    return {
        "id": request_id,
        "key_id": key_id,
        "created": now,
        "changed": now,
        "consented": now,
        "version": 1,
        "state": "received",
        "purpose": "sale",
        "instrument": '{"maker": "Ostvik", "model": "Dal"}',
        "language": "en",
        "consent": "en-1",
        "link_digest": link_digest,
    }
