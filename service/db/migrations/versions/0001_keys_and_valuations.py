"""Keys, valuations and the claims of Idempotency-Keys."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "api_key",
        sa.Column("id", sa.String(16), nullable=False),
        sa.Column("label", sa.String(200), nullable=False),
        sa.Column("scopes", sa.String(200), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked", sa.DateTime(timezone=True)),
        sa.PrimaryKeyConstraint("id", name="pk_api_key"),
    )
    op.create_table(
        "valuation",
        sa.Column("id", sa.String(40), nullable=False),
        sa.Column("key_id", sa.String(16), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("model_version", sa.String(64), nullable=False),
        sa.Column("request", sa.Text(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_valuation_key_id_api_key"),
        sa.PrimaryKeyConstraint("id", name="pk_valuation"),
    )
    op.create_index("ix_valuation_key_id_created", "valuation", ["key_id", "created"])
    op.create_table(
        "idempotency_claim",
        sa.Column("key_id", sa.String(16), nullable=False),
        sa.Column("method", sa.String(8), nullable=False),
        sa.Column("path", sa.String(200), nullable=False),
        sa.Column("idempotency_key", sa.String(200), nullable=False),
        sa.Column("body_digest", sa.String(64), nullable=False),
        sa.Column("record_id", sa.String(40), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_idempotency_claim_key_id_api_key"),
        sa.PrimaryKeyConstraint("key_id", "method", "path", "idempotency_key", name="pk_idempotency_claim"),
    )


def downgrade() -> None:
    """Drop them again."""
    op.drop_table("idempotency_claim")
    op.drop_index("ix_valuation_key_id_created", table_name="valuation")
    op.drop_table("valuation")
    op.drop_table("api_key")
