"""A dealer's stock: items, their values, revaluations, and terms of offers."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    _item()
    _item_feed()
    _revaluation()
    _item_value()
    _offer_terms()


def downgrade() -> None:
    """Drop them again."""
    for name in ("offer_terms", "item_value", "revaluation", "item_feed", "item"):
        op.drop_table(name)


def _item() -> None:
    op.create_table(
        "item",
        sa.Column("stock_number", sa.String(length=100), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("deleted", sa.DateTime(timezone=True), nullable=True),
        sa.Column("position", sa.BigInteger(), nullable=True),
        sa.Column("last_change", sa.String(length=12), nullable=False),
        sa.Column("instrument", sa.Text(), nullable=False),
        sa.Column("maker", sa.Text(), nullable=False),
        sa.Column("model", sa.Text(), nullable=False),
        sa.Column("cost", sa.Text(), nullable=True),
        sa.Column("asking", sa.Text(), nullable=True),
        sa.Column("bought", sa.Date(), nullable=True),
        sa.Column("channel", sa.String(length=8), nullable=False),
        sa.Column("status", sa.String(length=12), nullable=False),
        sa.Column("extra", sa.Text(), server_default="{}", nullable=False),
        sa.Column("value", sa.Text(), nullable=True),
        sa.Column("intervals", sa.Text(), nullable=True),
        sa.Column("valued_on", sa.Date(), nullable=True),
        sa.Column("price_model", sa.String(length=64), nullable=True),
        sa.Column("evidence", sa.String(length=8), nullable=True),
        sa.Column("detail", sa.Text(), nullable=True),
        sa.Column("failure", sa.Text(), nullable=True),
        sa.Column("amount", sa.Float(), nullable=True),
        sa.Column("currency", sa.String(length=3), nullable=True),
        sa.Column("rate", sa.Float(), nullable=True),
        sa.Column("asking_ratio", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_item_key_id_api_key"),
        sa.PrimaryKeyConstraint("stock_number", name="pk_item"),
        sa.UniqueConstraint("position", name="uq_item_position"),
    )
    op.create_index("ix_item_asking_ratio", "item", ["asking_ratio"], unique=False)
    op.create_index("ix_item_bought", "item", ["bought"], unique=False)
    op.create_index("ix_item_maker_model", "item", ["maker", "model"], unique=False)
    op.create_index("ix_item_status_stock_number", "item", ["status", "stock_number"], unique=False)


def _item_feed() -> None:
    op.create_table(
        "item_feed",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_item_feed"),
    )


def _revaluation() -> None:
    op.create_table(
        "revaluation",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=True),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("reason", sa.String(length=16), nullable=False),
        sa.Column("filter", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("valued_on", sa.Date(), nullable=False),
        sa.Column("price_model", sa.String(length=64), nullable=True),
        sa.Column("total", sa.Integer(), server_default="0", nullable=False),
        sa.Column("done", sa.Integer(), server_default="0", nullable=False),
        sa.Column("failed", sa.Integer(), server_default="0", nullable=False),
        sa.Column("reached", sa.String(length=100), server_default="", nullable=False),
        sa.Column("started", sa.DateTime(timezone=True), nullable=True),
        sa.Column("finished", sa.DateTime(timezone=True), nullable=True),
        sa.Column("leased", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_revaluation_key_id_api_key"),
        sa.PrimaryKeyConstraint("id", name="pk_revaluation"),
    )
    op.create_index("ix_revaluation_state_created", "revaluation", ["state", "created"], unique=False)


def _item_value() -> None:
    op.create_table(
        "item_value",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("stock_number", sa.String(length=100), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("valued_on", sa.Date(), nullable=False),
        sa.Column("price_model", sa.String(length=64), nullable=False),
        sa.Column("instrument", sa.Text(), nullable=False),
        sa.Column("channel", sa.String(length=8), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("amount", sa.Float(), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("intervals", sa.Text(), nullable=False),
        sa.Column("rate", sa.Float(), nullable=False),
        sa.Column("rate_day", sa.Date(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("revaluation_id", sa.String(length=40), nullable=True),
        sa.ForeignKeyConstraint(
            ["revaluation_id"], ["revaluation.id"], name="fk_item_value_revaluation_id_revaluation"
        ),
        sa.ForeignKeyConstraint(
            ["stock_number"], ["item.stock_number"], name="fk_item_value_stock_number_item"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_item_value"),
    )
    op.create_index("ix_item_value_revaluation_id", "item_value", ["revaluation_id"], unique=False)
    op.create_index(
        "ix_item_value_stock_number_valued_on", "item_value", ["stock_number", "valued_on"], unique=False
    )


def _offer_terms() -> None:
    op.create_table(
        "offer_terms",
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("terms", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_offer_terms_key_id_api_key"),
        sa.PrimaryKeyConstraint("name", name="pk_offer_terms"),
    )
