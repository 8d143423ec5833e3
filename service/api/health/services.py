"""Check what the service needs in order to answer: a price model, its database, and room on the disk."""

from __future__ import annotations

import shutil
from types import SimpleNamespace
from typing import Any

from sqlalchemy.exc import SQLAlchemyError

from models.bundles.provisional import is_provisional
from service.api.health.schemas import dump_checks
from service.context import context
from service.db.engine import REVISION, folder_of, found_revision

# Bytes of free disk space: enough for a few hundred valuations, and for SQLite to report a full disk.
_LEAST_FREE = 2**20


def checks() -> dict[str, Any]:
    """The state of the price model, of the database, of the disk that it is on, and of shared limits."""
    return dump_checks(
        SimpleNamespace(
            model=_model(),
            database=context().database_state.get(_database),
            disk=_disk(),
            limits=SimpleNamespace(ok=True, problem=context().limits.problem),
        )
    )


def _model() -> SimpleNamespace:
    live = context().live
    manifest = live.manifest
    return SimpleNamespace(
        ok=live.version is not None,
        version=live.version,
        provisional=is_provisional(manifest) if manifest else None,
        refused=live.refused,
    )


def _database() -> SimpleNamespace:
    try:
        revision = found_revision(context().engine)
    except SQLAlchemyError:
        return SimpleNamespace(ok=False, revision=None, problem="it does not answer")
    if revision == REVISION:
        return SimpleNamespace(ok=True, revision=revision, problem=None)
    problem = f"this program needs revision {REVISION}: run bookmatch migrate"
    return SimpleNamespace(ok=False, revision=revision, problem=problem)


def _disk() -> SimpleNamespace:
    folder = folder_of(context().engine)
    if folder is None:
        return SimpleNamespace(ok=True, free=None, problem=None)
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return SimpleNamespace(ok=False, free=None, problem="the folder of the database is not there")
    problem = "there is no room for records" if free < _LEAST_FREE else None
    return SimpleNamespace(ok=problem is None, free=free, problem=problem)
