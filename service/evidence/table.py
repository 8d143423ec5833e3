"""The tables of evidence: each record as it is now, and every change that made it so."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Date, ForeignKey, Index, Integer, String, Table, Text

from models import rows
from service.store.base import METADATA, Moment

# Columns up to `instrument` are those of `models.rows`, which training reads as well.
EVIDENCE = Table(
    rows.TABLE,
    METADATA,
    Column(rows.ORDER, BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
    Column("id", String(200), nullable=False, unique=True),
    Column("kind", String(8), nullable=False),
    Column("day", Date, nullable=False),
    Column("price", Text, nullable=False),
    Column("currency", String(3), nullable=False),
    Column("channel", String(8), nullable=False),
    Column("source", Text, nullable=False),
    Column("maker", Text, nullable=False),
    Column("model", Text, nullable=False),
    Column("instrument", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("recorded", Moment, nullable=False),
    Column("changed", Moment, nullable=False),
    Column(rows.WITHDRAWN, Moment),
    Index("ix_evidence_maker_model", "maker", "model"),
)

CHANGES = Table(
    "evidence_change",
    METADATA,
    Column("evidence_id", String(200), ForeignKey("evidence.id"), primary_key=True),
    Column("version", Integer, primary_key=True),
    Column("action", String(12), nullable=False),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("at", Moment, nullable=False),
    Column("reason", Text),
    Column("record", Text, nullable=False),  # JSON: the record as this change left it
)
