"""Check an installation before it serves, and report each thing that serving needs."""

from __future__ import annotations

import resource
import shutil
import socket
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import Engine, false, func, select, text
from sqlalchemy.exc import SQLAlchemyError

from models.bundles.bundle import ModelReader
from service.blobs.places import store_of
from service.commands.safety import exposures, weaknesses
from service.db.engine import check_revision, folder_of, open_engine, reading, writing
from service.db.tables import CLAIMS, KEYS
from service.errors import StoreError
from service.server.live_bundle import LiveBundle
from service.settings import Settings

_LEAST_FREE = 100 * 2**20  # bytes of free disk space
_LEAST_FILES = 256


class Finding(NamedTuple):
    """The result of one check: its name, whether it is passed, and what was found or what to do."""

    name: str
    ok: bool
    text: str


def findings(
    settings: Settings, read_model: ModelReader | None = None, secret_files: Sequence[Path] = ()
) -> Iterator[Finding]:
    """Check everything that serving needs, one finding after the other. The settings were read before.

    `secret_files`: the files that settings came from which are secrets.
    """
    yield Finding("settings", True, "complete")
    weak = "; ".join(weaknesses(settings))
    yield Finding("secret", not weak, weak or f"{len(settings.secret)} characters")
    exposed = "; ".join(exposures(settings, secret_files))
    yield Finding("private", not exposed, exposed or "secret and records are for their owner alone")
    yield _model(settings, read_model)
    engine = open_engine(settings.database, busy_seconds=settings.busy_seconds)
    database = _database(engine)
    yield database
    if database.ok:
        yield _connections(engine, settings.workers * (settings.connections + 1))
        yield _keys(engine)
    engine.dispose()
    yield _disk(_folders(settings, engine))
    yield _files(settings.threads)
    yield address(settings.bind)


def _model(settings: Settings, read_model: ModelReader | None) -> Finding:
    live = LiveBundle(store_of(settings), read_model)
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
    try:
        with writing(engine) as connection:  # nothing is written
            connection.execute(CLAIMS.delete().where(false()))
    except SQLAlchemyError as error:
        why = getattr(error, "orig", None) or type(error).__name__
        return Finding("database", False, f"cannot be written to: {why}")
    return Finding("database", True, f"{engine.dialect.name}, migrated, can be written to")


def _connections(engine: Engine, wanted: int) -> Finding:
    """Check that PostgreSQL allows the `wanted` connections: those of each worker, and its pulse."""
    if engine.dialect.name != "postgresql":
        return Finding("connections", True, "as many as are wanted")
    query = (
        "SELECT current_setting('max_connections')::int"
        " - current_setting('superuser_reserved_connections')::int"
    )
    with reading(engine) as connection:
        allowed = connection.execute(text(query)).scalar_one()
    found = f"the service opens up to {wanted}, PostgreSQL allows {allowed}"
    return Finding("connections", wanted <= allowed, found)


def _folders(settings: Settings, engine: Engine) -> set[Path]:
    """Return the folders that the service writes to: price models or copies of them, and records."""
    store, records = store_of(settings), folder_of(engine)
    return {store if isinstance(store, Path) else store.cache, *([records] if records else [])}


def _disk(folders: Iterable[Path]) -> Finding:
    few = []
    for folder in sorted(folders):
        try:
            free = shutil.disk_usage(folder).free
        except OSError as error:
            few.append(f"{folder}: {error.strerror}")
        else:
            if free < _LEAST_FREE:
                few.append(f"{folder}: {free >> 20} MB are free, {_LEAST_FREE >> 20} are too few soon")
    return Finding("disk", not few, "; ".join(few) or f"more than {_LEAST_FREE >> 20} MB are free")


def _files(threads: int) -> Finding:
    """Check the limit of open files: each connection of a client or to the database is one."""
    allowed = resource.getrlimit(resource.RLIMIT_NOFILE)[1]  # `serve` raises its limit to the most
    wanted = _LEAST_FILES + 2 * threads
    found = f"a process may open {allowed}"
    if allowed < wanted:
        return Finding("files", False, f"{found}, which should be {wanted} at least: see ulimit -n")
    return Finding("files", True, found)


def _keys(engine: Engine) -> Finding:
    with reading(engine) as connection:
        query = select(func.count()).select_from(KEYS).where(KEYS.c.revoked.is_(None))
        count = connection.execute(query).scalar() or 0
    text = f"{count} valid" if count else "none is valid: make one with bookmatch keys create LABEL"
    return Finding("keys", bool(count), text)


def address(bind: str) -> Finding:
    """Say whether the address is free: two services could share it, each with half of the requests."""
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
