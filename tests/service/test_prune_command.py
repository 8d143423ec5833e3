"""`bookmatch prune` deletes what a running service deletes every hour."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from migrated import migrated
from sqlalchemy import func, select, update
from webhook_ground import two_deliveries

from service.cli import main
from service.db.engine import reading, writing
from service.db.item_tables import WEBHOOK_DELIVERIES, WEBHOOK_EVENTS
from service.keys.records import KeyRing

SECRET = "a secret of the tests, long enough to be taken"


def test_events_of_webhooks_go_with_their_deliveries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    address = f"sqlite:///{tmp_path}/pruned.sqlite3"
    for name, value in (("STORE", str(tmp_path)), ("DATABASE", address), ("SECRET", SECRET)):
        monkeypatch.setenv(f"BOOKMATCH_{name}", value)
    engine = migrated(address, mode=0o600)
    _, event_id = two_deliveries(engine, KeyRing(engine, SECRET).create("shop", ["inventory"])[0])
    with writing(engine) as connection:
        old = {"created": datetime.now(UTC) - timedelta(days=31)}
        connection.execute(update(WEBHOOK_EVENTS).where(WEBHOOK_EVENTS.c.id == event_id).values(old))
    done = CliRunner().invoke(main, ["prune"])
    assert done.exit_code == 0 and "1 events of webhooks deleted" in done.stdout.splitlines()
    with reading(engine) as connection:
        left = [
            connection.execute(select(func.count()).select_from(table)).scalar_one()
            for table in (WEBHOOK_EVENTS, WEBHOOK_DELIVERIES)
        ]
    assert left == [1, 1]
    engine.dispose()
