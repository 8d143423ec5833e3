"""Every table of the database, in the metadata that the check of the migrations compares with."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import (
    BigInteger,
    Column,
    Date,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)
from sqlalchemy.types import TypeDecorator

from models.tables import evidence_columns

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class UtcDateTime(TypeDecorator[datetime]):
    """A moment in UTC, aware on the way in and out; SQLite itself keeps no zone."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Convert a moment to UTC. Raises ValueError for one without a time zone."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment needs a zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return a stored moment with its time zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


KEYS = Table(
    "api_key",
    METADATA,
    Column("id", String(16), primary_key=True),
    Column("kind", String(16), nullable=False, server_default="system"),
    Column("label", String(200), nullable=False),
    Column("scopes", String(200), nullable=False),  # words, by a space; of a website key none
    Column("origins", Text, nullable=False, server_default=""),  # by a space; of a system key none
    Column("made_by", String(16)),  # the key that asked for it; none: a command
    Column("created", UtcDateTime, nullable=False),
    Column("revoked", UtcDateTime),
)
SECRETS = Table(
    "api_key_secret",
    METADATA,
    Column("digest", String(64), primary_key=True),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("expires", UtcDateTime),  # set when another one was made beside it
    Column("used", UtcDateTime),  # last; a minute behind at most
    Index("ix_api_key_secret_key_id", "key_id"),
)

VALUATIONS = Table(
    "valuation",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("model_version", String(64), nullable=False),
    # JSON of the answer, byte for byte as it was sent. It says all that was understood of the request, so
    # that nothing else of that is kept. A long one is empty here and stands in `packed`, by LZMA.
    Column("answer", Text, nullable=False),
    Column("packed", LargeBinary),
    Index("ix_valuation_key_id_created", "key_id", "created"),
)

CLAIMS = Table(
    "idempotency_claim",
    METADATA,
    Column("key_id", String(16), ForeignKey("api_key.id"), primary_key=True),
    Column("method", String(8), primary_key=True),
    Column("path", String(200), primary_key=True),
    Column("idempotency_key", String(200), primary_key=True),
    Column("body_digest", String(64), nullable=False),
    Column("record_id", String(40), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Index("ix_idempotency_claim_created", "created"),
)

ANSWERS = Table(
    "idempotency_answer",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("status", Integer, nullable=False),
    Column("location", Text),
    Column("body", Text, nullable=False),  # as it was sent, to the byte
    Column("created", UtcDateTime, nullable=False),
    Index("ix_idempotency_answer_created", "created"),
)

# Columns up to `instrument` are those of `models.tables.evidence_columns`, which training reads as well.
EVIDENCE = Table(
    evidence_columns.TABLE,
    METADATA,
    Column(evidence_columns.ORDER, BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
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
    Column("recorded", UtcDateTime, nullable=False),
    Column("changed", UtcDateTime, nullable=False),
    Column(evidence_columns.WITHDRAWN, UtcDateTime),
    Column(evidence_columns.WARNINGS, Text, nullable=False, server_default=evidence_columns.NO_WARNINGS),
    Column(evidence_columns.CONFIRMED, UtcDateTime),
    Index("ix_evidence_maker_model", "maker", "model"),
)

CHANGES = Table(
    "evidence_change",
    METADATA,
    Column("evidence_id", String(200), ForeignKey("evidence.id"), primary_key=True),
    Column("version", Integer, primary_key=True),
    Column("action", String(12), nullable=False),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("at", UtcDateTime, nullable=False),
    Column("reason", Text),
    Column("record", Text, nullable=False),  # JSON: the record as this change left it
)

OUTCOMES = Table(
    "outcome",
    METADATA,
    Column("valuation_id", String(40), ForeignKey("valuation.id"), primary_key=True),
    Column("evidence_id", String(200), ForeignKey("evidence.id"), nullable=False),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),  # who said so last
    Column("recorded", UtcDateTime, nullable=False),
    Column("changed", UtcDateTime, nullable=False),
    Index("ix_outcome_evidence_id", "evidence_id"),
)

# Models of the catalogue as the next fit is to have them; the bundle that serves has a catalogue of its own.
CATALOGUE_ENTRIES = Table(
    "catalogue_entry",
    METADATA,
    Column("id", String(64), primary_key=True),  # a digest of the normal forms of maker and name
    Column("maker", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("entry", Text, nullable=False),  # JSON of the whole model
    Column("version", Integer, nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("changed", UtcDateTime, nullable=False),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),  # who changed it last
    Column("withdrawn", UtcDateTime),  # the next catalogue is to do without it
)

AUDIT = Table(
    "audit",
    METADATA,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
    Column("at", UtcDateTime, nullable=False),
    Column("actor", String(16), nullable=False),  # the id of the key that asked for it, or "command"
    Column("action", String(32), nullable=False),
    Column("object", String(64), nullable=False),  # the id of a key, or the version of a price model
    Column("detail", Text, nullable=False),
)
