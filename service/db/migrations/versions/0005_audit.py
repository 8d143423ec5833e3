"""The record of who did what to keys and price models."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "audit",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.String(16), nullable=False),
        sa.Column("action", sa.String(32), nullable=False),
        sa.Column("object", sa.String(64), nullable=False),
        sa.Column("detail", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
    )


def downgrade() -> None:
    """Drop it again."""
    op.drop_table("audit")
