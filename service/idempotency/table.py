"""The table of used Idempotency-Keys: what was made under each."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, String, Table

from service.store.base import METADATA, Moment

CLAIMS = Table(
    "idempotency_claim",
    METADATA,
    Column("key_id", String(16), ForeignKey("api_key.id"), primary_key=True),
    Column("method", String(8), primary_key=True),
    Column("path", String(200), primary_key=True),
    Column("idempotency_key", String(200), primary_key=True),
    Column("body_digest", String(64), nullable=False),
    Column("record_id", String(40), nullable=False),
    Column("created", Moment, nullable=False),
)
