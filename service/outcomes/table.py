"""The table of outcomes: which record of evidence holds the sale that ended a valuation's story."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, String, Table

from service.store.base import METADATA, Moment

OUTCOMES = Table(
    "outcome",
    METADATA,
    Column("valuation_id", String(40), ForeignKey("valuation.id"), primary_key=True),
    Column("evidence_id", String(200), ForeignKey("evidence.id"), nullable=False),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),  # who said so last
    Column("recorded", Moment, nullable=False),
    Column("changed", Moment, nullable=False),
    Index("ix_outcome_evidence_id", "evidence_id"),
)
