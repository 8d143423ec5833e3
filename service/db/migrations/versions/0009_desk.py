"""The users of the desk, and their sessions."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    _desk_user()
    _desk_session()


def downgrade() -> None:
    """Drop them again."""
    for name in ("desk_session", "desk_user"):
        op.drop_table(name)


def _desk_user() -> None:
    op.create_table(
        "desk_user",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("password", sa.Text(), nullable=False),
        sa.Column("second_factor", sa.Text(), nullable=False),
        sa.Column("last_step", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("failed", sa.Integer(), server_default="0", nullable=False),
        sa.Column("locked", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_desk_user_key_id_api_key"),
        sa.PrimaryKeyConstraint("id", name="pk_desk_user"),
        sa.UniqueConstraint("name", name="uq_desk_user_name"),
    )


def _desk_session() -> None:
    op.create_table(
        "desk_session",
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("user_id", sa.String(length=16), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["user_id"], ["desk_user.id"], name="fk_desk_session_user_id_desk_user"),
        sa.PrimaryKeyConstraint("digest", name="pk_desk_session"),
    )
    op.create_index("ix_desk_session_user_id", "desk_session", ["user_id"], unique=False)
