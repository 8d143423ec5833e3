"""The tables of keys, and of the secrets that open each: more than one while a key is being rotated."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, String, Table, Text

from service.store.base import METADATA, Moment

KEYS = Table(
    "api_key",
    METADATA,
    Column("id", String(16), primary_key=True),
    Column("kind", String(16), nullable=False, server_default="system"),
    Column("label", String(200), nullable=False),
    Column("scopes", String(200), nullable=False),  # words, by a space; of a website key none
    Column("origins", Text, nullable=False, server_default=""),  # by a space; of a system key none
    Column("made_by", String(16)),  # the key that asked for it; none: a command
    Column("created", Moment, nullable=False),
    Column("revoked", Moment),
)
SECRETS = Table(
    "api_key_secret",
    METADATA,
    Column("digest", String(64), primary_key=True),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("created", Moment, nullable=False),
    Column("expires", Moment),  # set when another one was made beside it
    Column("used", Moment),  # last; a minute behind at most
    Index("ix_api_key_secret_key_id", "key_id"),
)
