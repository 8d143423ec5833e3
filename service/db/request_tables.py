"""The tables of owners' requests and of the desk, in the metadata of `service.db.tables`."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, String, Table, Text

from service.db.tables import METADATA, UtcDateTime

# ── an owner's request, from the form to the report ──────────────────────────

REQUESTS = Table(
    "appraisal_request",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("changed", UtcDateTime, nullable=False),
    Column("version", Integer, nullable=False),
    Column("state", String(20), nullable=False),
    Column("purpose", String(16), nullable=False),
    Column("instrument", Text, nullable=False),  # JSON, as the owner describes it
    Column("graded", Text),  # JSON, as the specialist sees it; none before it was graded
    Column("asked", Text),  # JSON of an amount
    Column("language", String(8), nullable=False),
    Column("consent", String(64), nullable=False),  # which text was agreed to
    Column("consented", UtcDateTime, nullable=False),
    Column("valuation_id", String(40), ForeignKey("valuation.id")),  # what the owner was shown, if anything
    Column("adjustment", Text),  # JSON: the specialist's own, with a reason
    Column(
        "questions", Text, nullable=False, server_default="[]"
    ),  # JSON: fields that the owner is asked for
    Column("in_hand", Text, nullable=False, server_default="[]"),  # JSON: fields to be inspected in hand
    Column("link_digest", String(64), nullable=False, unique=True),
    Index("ix_appraisal_request_key_id", "key_id"),
    Index("ix_appraisal_request_state_created", "state", "created"),
)

# All that tells who the owner is stands here and in the notes; erasing the person deletes these rows.
CONTACTS = Table(
    "request_contact",
    METADATA,
    Column("request_id", String(40), ForeignKey("appraisal_request.id"), primary_key=True),
    Column("name", Text, nullable=False),
    Column("email", Text, nullable=False),
    Column("phone", Text),
    Column("message", Text),
    Column("reference", Text),  # the site's own, given back untouched
    Column("link", Text, nullable=False),  # the owner's private link, for the e-mails to come
)

NOTES = Table(
    "request_note",
    METADATA,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
    Column("request_id", String(40), ForeignKey("appraisal_request.id"), nullable=False),
    Column("at", UtcDateTime, nullable=False),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("kind", String(12), nullable=False, server_default="note"),  # or to_owner, from_owner
    Column("text", Text, nullable=False),
    Index("ix_request_note_request_id", "request_id"),
)

# What happened to a request and who did it, without a word about the person.
EVENTS = Table(
    "request_event",
    METADATA,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
    Column("request_id", String(40), ForeignKey("appraisal_request.id"), nullable=False),
    Column("at", UtcDateTime, nullable=False),
    Column("actor", String(16), nullable=False),  # the id of a key, or "owner"
    Column("action", String(24), nullable=False),
    Column("detail", Text, nullable=False),  # JSON
    Index("ix_request_event_request_id", "request_id"),
)

PHOTOGRAPHS = Table(
    "photograph",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("request_id", String(40), ForeignKey("appraisal_request.id"), nullable=False),
    Column("view", String(16), nullable=False),
    Column("digest", String(64), nullable=False),  # SHA-256 of the stored file, which it is named by
    Column("width", Integer, nullable=False),
    Column("height", Integer, nullable=False),
    Column("bytes", Integer, nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Index("ix_photograph_request_id", "request_id"),
    Index("ix_photograph_digest", "digest"),
)

REPORTS = Table(
    "report",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("request_id", String(40), ForeignKey("appraisal_request.id"), nullable=False),
    Column("version", Integer, nullable=False),
    Column("replaces", String(40), ForeignKey("report.id")),
    Column("created", UtcDateTime, nullable=False),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),  # who issued it
    Column("type_of_value", String(24), nullable=False),
    Column("valuation_id", String(40), ForeignKey("valuation.id")),
    Column("content", Text),  # JSON, byte for byte what `digest` is of; none when the person was erased
    Column("digest", String(64), nullable=False),
    Column("html_digest", String(64), nullable=False),
    Column("pdf_digest", String(64), nullable=False),
    Column("erased", UtcDateTime),
    Index("ix_report_request_id_version", "request_id", "version", unique=True),
)

SPECIALIST = Table(
    "specialist_setting",
    METADATA,
    Column("name", String(40), primary_key=True),
    Column("value", Text, nullable=False),  # JSON
    Column("changed", UtcDateTime, nullable=False),
)

# E-mails to be sent. The address is joined when one is sent, so that nothing here tells who the owner is.
OUTBOX = Table(
    "outbox",
    METADATA,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
    Column("name", String(120), nullable=False, unique=True),  # so that no e-mail is queued twice
    Column("request_id", String(40), ForeignKey("appraisal_request.id"), nullable=False),
    Column("recipient", String(12), nullable=False),  # owner or specialist
    Column("template", String(32), nullable=False),
    Column("context", Text, nullable=False),  # JSON
    Column("created", UtcDateTime, nullable=False),
    Column("due", UtcDateTime, nullable=False),
    Column("attempts", Integer, nullable=False, server_default="0"),
    Column("leased", UtcDateTime),  # until then a process is at it
    Column("handed", UtcDateTime),  # it was being handed over; without `sent`, nobody knows whether it went
    Column("sent", UtcDateTime),
    Column("parked", UtcDateTime),  # it failed for good; only a person sends it again
    Column("failure", String(200)),  # why it was not sent at the last attempt, without an address
    Index("ix_outbox_request_id", "request_id"),
    Index("ix_outbox_sent_due", "sent", "due"),
)

# ── the desk ─────────────────────────────────────────────────────────────────

DESK_USERS = Table(
    "desk_user",
    METADATA,
    Column("id", String(16), primary_key=True),
    Column("name", String(80), nullable=False, unique=True),
    # The key without a secret that stands for this person wherever a record says who did something.
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("password", Text, nullable=False),  # Argon2's text of it
    Column("second_factor", Text, nullable=False),
    Column("last_step", BigInteger, nullable=False, server_default="0"),  # a code holds once
    Column("failed", Integer, nullable=False, server_default="0"),
    Column("locked", UtcDateTime),
    Column("created", UtcDateTime, nullable=False),
)

DESK_SESSIONS = Table(
    "desk_session",
    METADATA,
    Column("digest", String(64), primary_key=True),
    Column("user_id", String(16), ForeignKey("desk_user.id"), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("seen", UtcDateTime, nullable=False),
    Column("ended", UtcDateTime),
    Index("ix_desk_session_user_id", "user_id"),
)
