"""Alembic's environment: it runs the migrations on the engine of its configuration, in one transaction."""

from __future__ import annotations

from alembic import context

from service.db.schema import METADATA

engine = context.config.attributes["engine"]
with engine.connect().execution_options(writes=True) as connection:
    context.configure(
        connection=connection, target_metadata=METADATA, render_as_batch=True, compare_type=True
    )
    with context.begin_transaction():
        context.run_migrations()
    connection.commit()
