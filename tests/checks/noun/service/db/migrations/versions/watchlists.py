"""Watchlists."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "NEW"
down_revision = "OLD"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "watchlist",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer, "sqlite"), nullable=False),
        sa.Column("id", sa.String(40), nullable=False),
        sa.Column("key_id", sa.String(16), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_watchlist_key_id_api_key"),
        sa.PrimaryKeyConstraint("number", name="pk_watchlist"),
        sa.UniqueConstraint("id", name="uq_watchlist_id"),
    )


def downgrade() -> None:
    """Drop it again."""
    op.drop_table("watchlist")
