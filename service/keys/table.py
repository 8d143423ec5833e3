"""The table of keys."""

from __future__ import annotations

from sqlalchemy import Column, String, Table

from service.store.base import METADATA, Moment

KEYS = Table(
    "api_key",
    METADATA,
    Column("id", String(16), primary_key=True),
    Column("label", String(200), nullable=False),
    Column("scopes", String(200), nullable=False),  # words, by a space
    Column("digest", String(64), nullable=False),
    Column("created", Moment, nullable=False),
    Column("revoked", Moment),
)
