"""Entries of the catalogue that were added or corrected since the last fit."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "catalogue_entry",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("maker", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("entry", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed", sa.DateTime(timezone=True), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("withdrawn", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_catalogue_entry_key_id_api_key"),
        sa.PrimaryKeyConstraint("id", name="pk_catalogue_entry"),
    )


def downgrade() -> None:
    """Drop it again."""
    op.drop_table("catalogue_entry")
