"""Evidence with its changes, and answers that are stored for repeated requests."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "evidence",
        sa.Column("seq", sa.BigInteger().with_variant(sa.Integer, "sqlite"), nullable=False),
        sa.Column("id", sa.String(200), nullable=False),
        sa.Column("kind", sa.String(8), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("price", sa.Text(), nullable=False),
        sa.Column("currency", sa.String(3), nullable=False),
        sa.Column("channel", sa.String(8), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("maker", sa.Text(), nullable=False),
        sa.Column("model", sa.Text(), nullable=False),
        sa.Column("instrument", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded", _MOMENT, nullable=False),
        sa.Column("changed", _MOMENT, nullable=False),
        sa.Column("withdrawn", _MOMENT),
        sa.PrimaryKeyConstraint("seq", name="pk_evidence"),
        sa.UniqueConstraint("id", name="uq_evidence_id"),
    )
    op.create_index("ix_evidence_maker_model", "evidence", ["maker", "model"])
    op.create_table(
        "evidence_change",
        sa.Column("evidence_id", sa.String(200), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("action", sa.String(12), nullable=False),
        sa.Column("key_id", sa.String(16), nullable=False),
        sa.Column("at", _MOMENT, nullable=False),
        sa.Column("reason", sa.Text()),
        sa.Column("record", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["evidence_id"], ["evidence.id"], name="fk_evidence_change_evidence_id_evidence"
        ),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_evidence_change_key_id_api_key"),
        sa.PrimaryKeyConstraint("evidence_id", "version", name="pk_evidence_change"),
    )
    op.create_table(
        "idempotency_answer",
        sa.Column("id", sa.String(40), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("location", sa.Text()),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("created", _MOMENT, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_idempotency_answer"),
    )


def downgrade() -> None:
    """Drop them again."""
    op.drop_table("idempotency_answer")
    op.drop_table("evidence_change")
    op.drop_index("ix_evidence_maker_model", table_name="evidence")
    op.drop_table("evidence")
