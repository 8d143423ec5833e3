"""Owners' requests: contacts, notes, events, photographs, reports, the specialist's settings, and e-mails."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    _appraisal_request()
    _request_contact()
    _request_note()
    _request_event()
    _photograph()
    _report()
    _specialist_setting()
    _outbox()


def downgrade() -> None:
    """Drop them again."""
    for name in (
        "outbox",
        "specialist_setting",
        "report",
        "photograph",
        "request_event",
        "request_note",
        "request_contact",
        "appraisal_request",
    ):
        op.drop_table(name)


def _appraisal_request() -> None:
    op.create_table(
        "appraisal_request",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("purpose", sa.String(length=16), nullable=False),
        sa.Column("instrument", sa.Text(), nullable=False),
        sa.Column("graded", sa.Text(), nullable=True),
        sa.Column("asked", sa.Text(), nullable=True),
        sa.Column("language", sa.String(length=8), nullable=False),
        sa.Column("consent", sa.String(length=64), nullable=False),
        sa.Column("consented", sa.DateTime(timezone=True), nullable=False),
        sa.Column("valuation_id", sa.String(length=40), nullable=True),
        sa.Column("adjustment", sa.Text(), nullable=True),
        sa.Column("questions", sa.Text(), server_default="[]", nullable=False),
        sa.Column("in_hand", sa.Text(), server_default="[]", nullable=False),
        sa.Column("link_digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_appraisal_request_key_id_api_key"),
        sa.ForeignKeyConstraint(
            ["valuation_id"], ["valuation.id"], name="fk_appraisal_request_valuation_id_valuation"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_appraisal_request"),
        sa.UniqueConstraint("link_digest", name="uq_appraisal_request_link_digest"),
    )
    op.create_index("ix_appraisal_request_key_id", "appraisal_request", ["key_id"], unique=False)
    op.create_index(
        "ix_appraisal_request_state_created", "appraisal_request", ["state", "created"], unique=False
    )


def _request_contact() -> None:
    op.create_table(
        "request_contact",
        sa.Column("request_id", sa.String(length=40), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("email", sa.Text(), nullable=False),
        sa.Column("phone", sa.Text(), nullable=True),
        sa.Column("message", sa.Text(), nullable=True),
        sa.Column("reference", sa.Text(), nullable=True),
        sa.Column("link", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["request_id"], ["appraisal_request.id"], name="fk_request_contact_request_id_appraisal_request"
        ),
        sa.PrimaryKeyConstraint("request_id", name="pk_request_contact"),
    )


def _request_note() -> None:
    op.create_table(
        "request_note",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("request_id", sa.String(length=40), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("kind", sa.String(length=12), server_default="note", nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_request_note_key_id_api_key"),
        sa.ForeignKeyConstraint(
            ["request_id"], ["appraisal_request.id"], name="fk_request_note_request_id_appraisal_request"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_request_note"),
    )
    op.create_index("ix_request_note_request_id", "request_note", ["request_id"], unique=False)


def _request_event() -> None:
    op.create_table(
        "request_event",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("request_id", sa.String(length=40), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.String(length=16), nullable=False),
        sa.Column("action", sa.String(length=24), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["request_id"], ["appraisal_request.id"], name="fk_request_event_request_id_appraisal_request"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_request_event"),
    )
    op.create_index("ix_request_event_request_id", "request_event", ["request_id"], unique=False)


def _photograph() -> None:
    op.create_table(
        "photograph",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("request_id", sa.String(length=40), nullable=False),
        sa.Column("view", sa.String(length=16), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["request_id"], ["appraisal_request.id"], name="fk_photograph_request_id_appraisal_request"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_photograph"),
    )
    op.create_index("ix_photograph_digest", "photograph", ["digest"], unique=False)
    op.create_index("ix_photograph_request_id", "photograph", ["request_id"], unique=False)


def _report() -> None:
    op.create_table(
        "report",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("request_id", sa.String(length=40), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("replaces", sa.String(length=40), nullable=True),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("type_of_value", sa.String(length=24), nullable=False),
        sa.Column("valuation_id", sa.String(length=40), nullable=True),
        sa.Column("content", sa.Text(), nullable=True),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("html_digest", sa.String(length=64), nullable=False),
        sa.Column("pdf_digest", sa.String(length=64), nullable=False),
        sa.Column("erased", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_report_key_id_api_key"),
        sa.ForeignKeyConstraint(["replaces"], ["report.id"], name="fk_report_replaces_report"),
        sa.ForeignKeyConstraint(
            ["request_id"], ["appraisal_request.id"], name="fk_report_request_id_appraisal_request"
        ),
        sa.ForeignKeyConstraint(["valuation_id"], ["valuation.id"], name="fk_report_valuation_id_valuation"),
        sa.PrimaryKeyConstraint("id", name="pk_report"),
    )
    op.create_index("ix_report_request_id_version", "report", ["request_id", "version"], unique=True)


def _specialist_setting() -> None:
    op.create_table(
        "specialist_setting",
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("changed", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_specialist_setting"),
    )


def _outbox() -> None:
    op.create_table(
        "outbox",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("request_id", sa.String(length=40), nullable=False),
        sa.Column("recipient", sa.String(length=12), nullable=False),
        sa.Column("template", sa.String(length=32), nullable=False),
        sa.Column("context", sa.Text(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("due", sa.DateTime(timezone=True), nullable=False),
        sa.Column("attempts", sa.Integer(), server_default="0", nullable=False),
        sa.Column("leased", sa.DateTime(timezone=True), nullable=True),
        sa.Column("handed", sa.DateTime(timezone=True), nullable=True),
        sa.Column("sent", sa.DateTime(timezone=True), nullable=True),
        sa.Column("parked", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failure", sa.String(length=200), nullable=True),
        sa.ForeignKeyConstraint(
            ["request_id"], ["appraisal_request.id"], name="fk_outbox_request_id_appraisal_request"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_outbox"),
        sa.UniqueConstraint("name", name="uq_outbox_name"),
    )
    op.create_index("ix_outbox_request_id", "outbox", ["request_id"], unique=False)
    op.create_index("ix_outbox_sent_due", "outbox", ["sent", "due"], unique=False)
