"""The audit: a record of who did what to keys and price models, written in the transaction of the change."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, insert, select

from models.commands.console import login
from service.db.tables import AUDIT

COMMAND = "command"  # the actor of a change that no key asked for
ACTIONS: Mapping[str, str] = {
    "key_created": "a key was made",
    "key_rotated": "a key was given a new secret",
    "key_revoked": "a key was ended",
    "key_changed": "the key of the service's own form was given another origin",
    "model_promoted": "a price model was made the current one",
    "model_rolled_back": "the price model before was made the current one again",
    "desk_user_added": "someone may sign in at the desk",
    "desk_user_changed": "a user of the desk was given a new password",
    "desk_user_removed": "someone may no longer sign in at the desk",
    "desk_signed_in": "a user of the desk signed in",
    "webhook_created": "a webhook was made",
    "webhook_changed": "a webhook was changed",
    "webhook_tested": "a webhook was sent a test",
    "webhook_rotated": "a webhook was given a new secret",
    "webhook_replayed": "events were queued for a webhook again",
    "webhook_sent_again": "an event was queued for a webhook again",
    "webhook_deleted": "a webhook was deleted",
    "specialist_changed": "settings of the specialist, which reports are signed by, were changed",
    "desk_locked": "a user of the desk failed to sign in too often, and is locked for a while",
}


def record(connection: Connection, key_id: str | None, action: str, object: str, detail: str) -> None:
    """Record a change in its open transaction. `key_id`: the key that asked for it; None: a command."""
    if key_id is None:
        detail = f"{detail}; login {login()}"
    row = {"at": datetime.now(UTC), "actor": key_id or COMMAND, "action": action}
    connection.execute(insert(AUDIT).values(**row, object=object, detail=detail))


def entries(connection: Connection, before: int | None, limit: int) -> list[Mapping[str, Any]]:
    """Return up to `limit` entries, newest first. `before`: only entries with a lower number than this."""
    query = select(AUDIT).order_by(AUDIT.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(AUDIT.c.id < before)
    return [dict(row) for row in connection.execute(query).mappings()]
