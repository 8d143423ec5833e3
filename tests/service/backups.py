"""Helpers of the backup tests: back up, restore, read all rows, and change an archive."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

from apps import parts
from asking import SECRET
from flask import Flask
from sqlalchemy import Engine, select

from service.backup.making import make_backup
from service.backup.restoring import restore_backup
from service.db.engine import open_engine, reading
from service.db.migrate import check
from service.db.schema import METADATA


def back_up(app: Flask, path: Path) -> dict[str, Any]:
    return make_backup(parts(app).engine, parts(app).settings.store, path, SECRET, progress=False)


def restored(address: str, store: Path, path: Path, secret: str | None = SECRET, **options: Any) -> None:
    engine = open_engine(address)
    try:
        restore_backup(engine, store, path, secret, progress=False, **options)
        check(engine)
    finally:
        engine.dispose()


def rows_of(engine: Engine) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table, in one order."""
    with reading(engine) as connection:
        return {
            table.name: sorted((tuple(row) for row in connection.execute(select(table))), key=repr)
            for table in METADATA.sorted_tables
        }


def edit(path: Path, change: Any, name: str = "manifest.json") -> None:
    """Write the archive again with one entry changed."""
    with zipfile.ZipFile(path) as old:
        entries = {one: old.read(one) for one in old.namelist()}
    if name == "manifest.json":
        manifest = json.loads(entries[name])
        change(manifest)
        entries[name] = json.dumps(manifest).encode()
    else:
        entries[name] = change(entries.get(name, b""))
    with zipfile.ZipFile(path, "w") as new:
        for one, data in entries.items():
            new.writestr(one, data)
