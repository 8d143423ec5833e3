"""Several secrets for a key, so that it can be rotated; kinds of keys, and origins of website keys."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Move the secrets of keys to a table of their own; every key keeps its secret."""
    op.create_table(
        "api_key_secret",
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("key_id", sa.String(16), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires", sa.DateTime(timezone=True)),
        sa.Column("used", sa.DateTime(timezone=True)),
        sa.ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_api_key_secret_key_id_api_key"),
        sa.PrimaryKeyConstraint("digest", name="pk_api_key_secret"),
    )
    op.create_index("ix_api_key_secret_key_id", "api_key_secret", ["key_id"])
    op.execute("INSERT INTO api_key_secret (digest, key_id, created) SELECT digest, id, created FROM api_key")
    # Not in batch mode, which would make the table anew, although foreign keys refer to it.
    op.drop_column("api_key", "digest")
    op.add_column("api_key", sa.Column("kind", sa.String(16), nullable=False, server_default="system"))
    op.add_column("api_key", sa.Column("origins", sa.Text(), nullable=False, server_default=""))
    op.add_column("api_key", sa.Column("made_by", sa.String(16)))


def downgrade() -> None:
    """Leave each key only its newest secret; revoke website keys, which an older program must not accept."""
    op.execute("UPDATE api_key SET revoked = CURRENT_TIMESTAMP WHERE kind <> 'system' AND revoked IS NULL")
    op.add_column("api_key", sa.Column("digest", sa.String(64), nullable=False, server_default=""))
    op.execute(
        "UPDATE api_key SET digest = COALESCE((SELECT digest FROM api_key_secret AS s "
        "WHERE s.key_id = api_key.id ORDER BY s.created DESC, s.expires IS NOT NULL LIMIT 1), '')"
    )
    for name in ("made_by", "origins", "kind"):
        op.drop_column("api_key", name)
    op.drop_index("ix_api_key_secret_key_id", table_name="api_key_secret")
    op.drop_table("api_key_secret")
