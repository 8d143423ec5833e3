"""Migrated databases, without the migrations' time: of SQLite a copy of one that was migrated once."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from sqlalchemy import Engine

from service.db.engine import open_engine
from service.db.migrate import upgrade


@cache
def _template() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "template.sqlite3"
        engine = open_engine(f"sqlite:///{path}")
        upgrade(engine)
        engine.dispose()
        assert list(path.parent.iterdir()) == [path], "a part of it is still in SQLite's log"
        return path.read_bytes()


def migrated(address: str, mode: int = 0o666) -> Engine:
    """Open an engine on the database at this address, brought to the newest revision.

    `mode`: who may read the file of a new one; what the process's umask takes away is taken away.
    """
    engine = open_engine(address)
    path = Path(engine.url.database or "") if engine.dialect.name == "sqlite" else None
    if path is None or path.exists():
        upgrade(engine)
    else:
        path.touch(mode=mode)
        path.write_bytes(_template())
    return engine
