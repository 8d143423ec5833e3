"""What must be in order for the service to answer, and what is not."""

from __future__ import annotations

from typing import Any

from sqlalchemy.exc import SQLAlchemyError

from service.context import context
from service.store.base import REVISION, found_revision


def checks() -> dict[str, dict[str, Any]]:
    """The state of the model and of the database."""
    return {"model": _model(), "database": _database()}


def _model() -> dict[str, Any]:
    live = context().live
    return {"ok": live.version is not None, "version": live.version, "refused": live.refused}


def _database() -> dict[str, Any]:
    try:
        revision = found_revision(context().engine)
    except SQLAlchemyError:
        return {"ok": False, "revision": None, "problem": "it does not answer"}
    if revision == REVISION:
        return {"ok": True, "revision": revision, "problem": None}
    problem = f"this program needs revision {REVISION}: run python -m service migrate"
    return {"ok": False, "revision": revision, "problem": problem}
