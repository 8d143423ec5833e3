"""Warnings on records of evidence, and when they were confirmed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; records that are there already have no warning."""
    # Not in batch mode, which would make the table anew, although foreign keys refer to it.
    op.add_column("evidence", sa.Column("warnings", sa.Text(), nullable=False, server_default="[]"))
    op.add_column("evidence", sa.Column("confirmed", sa.DateTime(timezone=True)))


def downgrade() -> None:
    """Drop them again."""
    op.drop_column("evidence", "confirmed")
    op.drop_column("evidence", "warnings")
