"""What is wrong with an installation, said by name before anybody asks it for a value."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from typing import NamedTuple

from sqlalchemy import Engine, func, select
from sqlalchemy.exc import SQLAlchemyError

from models.bundle import ModelReader
from service.errors import StoreError
from service.keys.table import KEYS
from service.live import Live
from service.settings import Settings
from service.store.base import check_revision, open_engine, reading


class Finding(NamedTuple):
    """One thing that must be in order, whether it is, and what was found or what to do."""

    name: str
    ok: bool
    text: str


def findings(settings: Settings, read_model: ModelReader | None = None) -> Iterator[Finding]:
    """Everything that serving needs, in order. The settings themselves were read without a fault."""
    yield Finding("settings", True, "complete")
    yield _model(settings, read_model)
    engine = open_engine(settings.database, busy_seconds=settings.busy_seconds)
    database = _database(engine)
    yield database
    if database.ok:
        yield _keys(engine)
    engine.dispose()
    yield _address(settings.bind)


def _model(settings: Settings, read_model: ModelReader | None) -> Finding:
    live = Live(settings.store, read_model)
    live.look()
    return Finding("model", live.version is not None, live.version or live.refused or "none")


def _database(engine: Engine) -> Finding:
    try:
        check_revision(engine)
    except StoreError as error:
        return Finding("database", False, str(error))
    except SQLAlchemyError as error:
        return Finding(
            "database", False, f"does not answer: {type(error).__name__}; check BOOKMATCH_DATABASE"
        )
    return Finding("database", True, f"{engine.dialect.name}, migrated")


def _keys(engine: Engine) -> Finding:
    with reading(engine) as connection:
        query = select(func.count()).select_from(KEYS).where(KEYS.c.revoked.is_(None))
        count = connection.execute(query).scalar() or 0
    text = f"{count} valid" if count else "none is valid: make one with python -m service keys create LABEL"
    return Finding("keys", bool(count), text)


def _address(bind: str) -> Finding:
    host, _, port = bind.rpartition(":")
    if not host or not port.isdigit():
        return Finding("address", True, f"{bind}; whether it is free is not checked")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host.strip("[]"), int(port)))
        except (OSError, OverflowError) as error:
            why = getattr(error, "strerror", None) or str(error)
            return Finding("address", False, f"{bind}: {why}; is the service running already?")
    return Finding("address", True, f"{bind} is free")
