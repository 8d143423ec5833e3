"""The table of valuations: the answer as it was given, and what was asked."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, String, Table, Text

from service.store.base import METADATA, Moment

VALUATIONS = Table(
    "valuation",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("created", Moment, nullable=False),
    Column("model_version", String(64), nullable=False),
    Column("request", Text, nullable=False),  # JSON, as it was read
    Column("answer", Text, nullable=False),  # JSON, as it was sent, to the byte
    Index("ix_valuation_key_id_created", "key_id", "created"),
)
