"""Webhooks: addresses, secrets, events and deliveries."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    _webhook()
    _webhook_secret()
    _webhook_event()
    _webhook_delivery()


def downgrade() -> None:
    """Drop them again."""
    for name in ("webhook_delivery", "webhook_event", "webhook_secret", "webhook"):
        op.drop_table(name)


def _webhook() -> None:
    op.create_table(
        "webhook",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed", sa.DateTime(timezone=True), nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("description", sa.Text(), nullable=True),
        sa.Column("changes", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("tested", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failures", sa.Integer(), server_default="0", nullable=False),
        sa.Column("failing", sa.DateTime(timezone=True), nullable=True),
        sa.Column("due", sa.DateTime(timezone=True), nullable=True),
        sa.Column("parked", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failure", sa.Text(), nullable=True),
        sa.Column("deleted", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_webhook_key_id_api_key"),
        sa.PrimaryKeyConstraint("id", name="pk_webhook"),
    )


def _webhook_secret() -> None:
    op.create_table(
        "webhook_secret",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("webhook_id", sa.String(length=40), nullable=False),
        sa.Column("seed", sa.Text(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["webhook_id"], ["webhook.id"], name="fk_webhook_secret_webhook_id_webhook"),
        sa.PrimaryKeyConstraint("id", name="pk_webhook_secret"),
    )
    op.create_index("ix_webhook_secret_webhook_id", "webhook_secret", ["webhook_id"], unique=False)


def _webhook_event() -> None:
    op.create_table(
        "webhook_event",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("stock_number", sa.String(length=100), nullable=True),
        sa.Column("type", sa.String(length=40), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_webhook_event"),
    )
    op.create_index("ix_webhook_event_created", "webhook_event", ["created"], unique=False)


def _webhook_delivery() -> None:
    op.create_table(
        "webhook_delivery",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("webhook_id", sa.String(length=40), nullable=False),
        sa.Column("event_id", sa.String(length=40), nullable=False),
        sa.Column("stock_number", sa.String(length=100), nullable=True),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("attempts", sa.Integer(), server_default="0", nullable=False),
        sa.Column("due", sa.DateTime(timezone=True), nullable=False),
        sa.Column("leased", sa.DateTime(timezone=True), nullable=True),
        sa.Column("delivered", sa.DateTime(timezone=True), nullable=True),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("failure", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["event_id"], ["webhook_event.id"], name="fk_webhook_delivery_event_id_webhook_event"
        ),
        sa.ForeignKeyConstraint(
            ["webhook_id"], ["webhook.id"], name="fk_webhook_delivery_webhook_id_webhook"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_webhook_delivery"),
    )
    _index("webhook_id", "state", "due")
    _index("webhook_id", "stock_number", "state", "position")
    _index("event_id", "webhook_id", unique=True)


def _index(*columns: str, unique: bool = False) -> None:
    name = f"ix_webhook_delivery_{'_'.join(columns)}"
    op.create_index(name, "webhook_delivery", [*columns], unique=unique)
