"""The tables of used Idempotency-Keys: what was made under each, and answers that cannot be made again."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Integer, String, Table, Text

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

ANSWERS = Table(
    "idempotency_answer",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("status", Integer, nullable=False),
    Column("location", Text),
    Column("body", Text, nullable=False),  # as it was sent, to the byte
    Column("created", Moment, nullable=False),
)
