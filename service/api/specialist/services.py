"""Read and replace the specialist's settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import orjson
from flask import g
from sqlalchemy import Connection, delete, insert, select, text

from service.context import context
from service.db import audit
from service.db.engine import reading, writing
from service.db.request_tables import SPECIALIST
from service.http.hooks.conditional import check_unchanged
from service.reports.missing import unset
from service.reports.specialist import SETTINGS

_TURN = text(f"LOCK TABLE {SPECIALIST.name} IN SHARE ROW EXCLUSIVE MODE")  # readers do not wait for it


def standing(connection: Connection) -> dict[str, str]:
    """Return name → text of the settings that are set."""
    rows = connection.execute(select(SPECIALIST.c.name, SPECIALIST.c.value))
    return {name: orjson.loads(value) for name, value in rows if name in SETTINGS}


def show() -> dict[str, Any]:
    """Return the answer that shows the settings."""
    with reading(context().engine) as connection:
        return _answer(standing(connection))


def replace(sent: Mapping[str, str | None]) -> dict[str, Any]:
    """Replace all settings, and return the answer that shows them. Raises werkzeug's PreconditionFailed."""
    now = datetime.now(UTC)
    rows = [
        {"name": name, "value": orjson.dumps(value).decode(), "changed": now}
        for name, value in sent.items()
        if value is not None
    ]
    with writing(context().engine) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(_TURN)
        before = standing(connection)
        check_unchanged(orjson.dumps(_answer(before)))
        connection.execute(delete(SPECIALIST))
        if rows:
            connection.execute(insert(SPECIALIST), rows)
        after = standing(connection)
        _record(connection, [name for name in SETTINGS if before.get(name) != after.get(name)])
        return _answer(after)


def _record(connection: Connection, changed: Sequence[str]) -> None:
    """Record which settings were changed, without what they say, which can name a person."""
    if changed:
        audit.record(connection, g.caller.key_id, "specialist_changed", "specialist", ", ".join(changed))


def _answer(settings: Mapping[str, str]) -> dict[str, Any]:
    return {
        "settings": {name: settings.get(name) for name in SETTINGS},
        "offered": {name: one.offered for name, one in SETTINGS.items() if one.offered is not None},
        "missing": unset(settings),
    }
