"""Make a backup: every table as of one moment, then the bundles that the rows name, which never change."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson
from sqlalchemy import Connection, Engine, Table, func, select
from tqdm import tqdm

from models.bundles.bundle import MANIFEST, verify_files
from models.bundles.folder import CURRENT, HISTORY
from models.bundles.places import Store
from models.bundles.registry import Registry
from models.errors import BundleError
from service.backup.archive import FILES, ArchiveWriter, writing_archive
from service.backup.forms import word_of, written
from service.blobs.store import Blobs
from service.db.engine import REVISION, check_revision, snapshot
from service.db.schema import METADATA

_AT_ONCE = 500  # number of rows read at once
_VERSION = "model_version"  # in every table, a column of this name holds versions of bundles


def make_backup(
    engine: Engine,
    store: Store,
    path: Path,
    secret: str,
    *,
    blobs: Blobs | None = None,
    progress: bool = True,
) -> dict[str, Any]:
    """Write an archive of this database and store, and return what its manifest says of the content.

    The service can run meanwhile. The archive holds all that was written before it began; a later transaction
    is in it as a whole or not at all. `secret`: the service's, which seals the archive. `blobs`: its files,
    which the archive holds if they lie in a folder. Raises ArchiveError, StoreError, FilesError.
    """
    check_revision(engine)
    with writing_archive(path, secret) as archive, snapshot(engine) as connection:
        with _bar(connection, progress) as bar:
            tables = [_add_table(archive, connection, table, bar) for table in METADATA.sorted_tables]
        about = {
            "made": datetime.now(UTC).isoformat(timespec="seconds"),
            "revision": REVISION,
            "tables": tables,
            **_add_store(archive, Registry(store), _versions(connection)),
            "files": _add_files(archive, blobs),
        }
        archive.end(about)
    return about


def _bar(connection: Connection, progress: bool) -> tqdm[Any]:
    counts = [select(func.count()).select_from(table) for table in METADATA.sorted_tables]
    total = sum(connection.execute(count).scalar_one() for count in counts)
    return tqdm(total=total, unit=" rows", desc="backup", disable=None if progress else True, leave=False)


def _add_table(
    archive: ArchiveWriter, connection: Connection, table: Table, bar: tqdm[Any]
) -> dict[str, Any]:
    columns = [{"name": column.name, "holds": word_of(column)} for column in table.columns]
    counted = 0

    def lines() -> Iterator[bytes]:
        nonlocal counted
        query = select(table).order_by(*table.primary_key.columns)
        with connection.execute(query, execution_options={"yield_per": _AT_ONCE}) as rows:
            for row in rows:
                yield orjson.dumps([written(value) for value in row]) + b"\n"
                counted += 1
                bar.update()

    archive.add(f"tables/{table.name}.ndjson", lines())
    return {"name": table.name, "columns": columns, "rows": counted}


def _versions(connection: Connection) -> set[str]:
    found: set[str] = set()
    for table in METADATA.sorted_tables:
        if _VERSION in table.columns:
            query = select(table.columns[_VERSION]).distinct()
            found.update(version for version in connection.execute(query).scalars() if version)
    return found


def _add_store(archive: ArchiveWriter, registry: Registry, versions: set[str]) -> dict[str, Any]:
    """Add the bundles of these versions, the store's file CURRENT and its history; return what was added.

    A bundle that is gone or damaged is named in `bundles_gone`, and the backup goes on without it.
    """
    state, log = registry.kept()
    if state is not None:
        current = orjson.loads(state)
        versions = versions | {current["version"], *(one["version"] for one in current["earlier"])}
        archive.add(f"store/{CURRENT}", [state])
        archive.add(f"store/{HISTORY}", [log])
    kept, gone = [], []
    for version in sorted(versions):
        try:
            _add_bundle(archive, registry, version)
            kept.append(version)
        except BundleError:
            gone.append(version)
    return {"bundles": kept, "bundles_gone": gone}


def _add_bundle(archive: ArchiveWriter, registry: Registry, version: str) -> None:
    folder, manifest = registry.folder(version), registry.manifest(version)
    files = {MANIFEST: (folder / MANIFEST).read_bytes(), **verify_files(folder, manifest)}
    for name, data in files.items():
        archive.add(f"bundles/{version}/{name}", [data])


def _add_files(archive: ArchiveWriter, blobs: Blobs | None) -> int:
    """Add the files that lie in a folder; return how many. One that is deleted meanwhile is left out."""
    if blobs is None or blobs.folder is None or not blobs.folder.exists():
        return 0
    added = 0
    for key in blobs.keys(""):
        content = blobs.get(key)
        if content is not None:
            archive.add(f"{FILES}{key}", [content])
            added += 1
    return added
