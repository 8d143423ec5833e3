"""Check what the service needs in order to answer: a price model, its database, and room on the disk."""

from __future__ import annotations

import shutil
from typing import Any

from sqlalchemy.exc import SQLAlchemyError

from models.bundles.provisional import is_provisional
from service.context import context
from service.db.engine import REVISION, folder_of, found_revision

# Bytes of free disk space: enough for a few hundred valuations, and for SQLite to report a full disk.
_LEAST_FREE = 2**20


def checks() -> dict[str, dict[str, Any]]:
    """Return the state of the price model, of the database, and of the database's disk."""
    return {"model": _model(), "database": _database(), "disk": _disk()}


def _model() -> dict[str, Any]:
    live = context().live
    manifest = live.manifest
    return {
        "ok": live.version is not None,
        "version": live.version,
        "provisional": is_provisional(manifest) if manifest else None,
        "refused": live.refused,
    }


def _database() -> dict[str, Any]:
    try:
        revision = found_revision(context().engine)
    except SQLAlchemyError:
        return {"ok": False, "revision": None, "problem": "it does not answer"}
    if revision == REVISION:
        return {"ok": True, "revision": revision, "problem": None}
    problem = f"this program needs revision {REVISION}: run bookmatch migrate"
    return {"ok": False, "revision": revision, "problem": problem}


def _disk() -> dict[str, Any]:
    folder = folder_of(context().engine)
    if folder is None:
        return {"ok": True, "free": None, "problem": None}
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return {"ok": False, "free": None, "problem": "the folder of the database is not there"}
    problem = "there is no room for records" if free < _LEAST_FREE else None
    return {"ok": problem is None, "free": free, "problem": problem}
