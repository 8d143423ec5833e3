"""Outcomes of valuations."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "outcome",
        sa.Column("valuation_id", sa.String(40), nullable=False),
        sa.Column("evidence_id", sa.String(200), nullable=False),
        sa.Column("key_id", sa.String(16), nullable=False),
        sa.Column("recorded", _MOMENT, nullable=False),
        sa.Column("changed", _MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["valuation_id"], ["valuation.id"], name="fk_outcome_valuation_id_valuation"),
        sa.ForeignKeyConstraint(["evidence_id"], ["evidence.id"], name="fk_outcome_evidence_id_evidence"),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_outcome_key_id_api_key"),
        sa.PrimaryKeyConstraint("valuation_id", name="pk_outcome"),
    )
    op.create_index("ix_outcome_evidence_id", "outcome", ["evidence_id"])


def downgrade() -> None:
    """Drop it again."""
    op.drop_index("ix_outcome_evidence_id", table_name="outcome")
    op.drop_table("outcome")
