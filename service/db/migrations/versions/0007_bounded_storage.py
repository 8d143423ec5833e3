"""Long answers packed, no copy of what was sent, and claims and answers that are found by their age."""

from __future__ import annotations

import lzma

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the packed form of an answer, drop the bodies of requests, index the moments."""
    op.add_column("valuation", sa.Column("packed", sa.LargeBinary()))
    op.drop_column("valuation", "request")
    op.create_index("ix_idempotency_claim_created", "idempotency_claim", ["created"])
    op.create_index("ix_idempotency_answer_created", "idempotency_answer", ["created"])


def downgrade() -> None:
    """Unpack the answers; the requests' bodies are gone."""
    packed: sa.ColumnClause[bytes] = sa.column("packed", sa.LargeBinary())
    valuation = sa.table("valuation", sa.column("id"), sa.column("answer"), packed)
    connection = op.get_bind()
    for row in connection.execute(sa.select(valuation).where(valuation.c.packed.is_not(None))).all():
        answer = lzma.decompress(row.packed).decode()
        connection.execute(sa.update(valuation).where(valuation.c.id == row.id).values(answer=answer))
    op.drop_index("ix_idempotency_answer_created", "idempotency_answer")
    op.drop_index("ix_idempotency_claim_created", "idempotency_claim")
    op.add_column("valuation", sa.Column("request", sa.Text(), nullable=False, server_default=""))
    op.drop_column("valuation", "packed")
