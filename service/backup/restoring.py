"""Restore a backup: add its bundles to the store, then all rows in one transaction, then the file CURRENT.

The service must be stopped meanwhile. A restore that fails leaves an empty database empty, and can be
repeated.
"""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import orjson
from sqlalchemy import Connection, Engine, Integer, MetaData, Table, func, insert, select
from tqdm import tqdm

from models.bundles.bundle import (
    MANIFEST,
    is_file_name,
    is_version,
    read_manifest,
    sync_folder,
    verify_files,
    write_durably,
)
from models.bundles.folder import CURRENT, HISTORY
from models.bundles.places import Store
from models.bundles.registry import Registry
from models.bundles.remote import RemotePlace
from models.errors import BundleError
from service.backup.archive import FILES, Archive, reading_archive
from service.backup.forms import reader
from service.blobs.store import Blobs
from service.db.engine import found_revision, writing
from service.db.migrate import downgrade, knows, upgrade
from service.errors import ArchiveError

_AT_ONCE = 500  # number of rows written at once
_MIGRATED = "alembic_version"


def restore_backup(
    engine: Engine,
    store: Store,
    path: Path,
    secret: str | None,
    *,
    blobs: Blobs | None = None,
    force: bool = False,
    progress: bool = True,
) -> dict[str, Any]:
    """Restore an archive into this database and store, and return its manifest.

    `secret`: the service's, which must have sealed it; None: take it in any case. `force`: replace all rows
    of the database, and the choice of the current bundle. Without it the database must be empty. Raises
    ArchiveError.
    """
    with reading_archive(path, secret) as archive:
        about = archive.manifest
        _bring_to(engine, about["revision"])
        for version in about["bundles"]:
            _place_bundle(archive, store, version)
        _place_files(archive, blobs)
        with writing(engine) as connection:
            _fill(connection, archive, force=force, progress=progress)
        _place_state(archive, store, force=force)
    upgrade(engine)
    return about


def _bring_to(engine: Engine, revision: str) -> None:
    """Migrate the tables to the backup's revision; later migrations run on the restored rows."""
    if not knows(engine, revision):
        raise ArchiveError(f"it was made by a newer program, at revision {revision}: restore with that one")
    found = found_revision(engine)
    if found is None:
        upgrade(engine, revision)
    elif found != revision:
        with writing(engine) as connection:
            if _filled(connection, _tables(connection)):
                raise ArchiveError(
                    f"it is of revision {revision} and this database of {found}: restore into an empty one"
                )
        downgrade(engine, "base")
        upgrade(engine, revision)


def _tables(connection: Connection) -> dict[str, Table]:
    # Read from the database, because the tables of this program can be of a later revision.
    found = MetaData()
    found.reflect(connection)
    return {table.name: table for table in found.sorted_tables if table.name != _MIGRATED}


def _filled(connection: Connection, tables: dict[str, Table]) -> list[str]:
    return [
        name
        for name, table in tables.items()
        if connection.execute(select(table).limit(1)).first() is not None
    ]


def _fill(connection: Connection, archive: Archive, *, force: bool, progress: bool) -> None:
    tables, listed = _tables(connection), archive.manifest["tables"]
    if {one["name"] for one in listed} != set(tables):
        raise ArchiveError("its tables are not those of its revision")
    filled = _filled(connection, tables)
    if filled and not force:
        names = ", ".join(filled)
        raise ArchiveError(f"the database is not empty ({names}): take an empty one, or replace with --force")
    for table in reversed(list(tables.values())):
        connection.execute(table.delete())
    total = sum(one["rows"] for one in listed)
    with tqdm(
        total=total, unit=" rows", desc="restore", disable=None if progress else True, leave=False
    ) as bar:
        for one in listed:
            _fill_table(connection, tables[one["name"]], archive, one, bar)


def _fill_table(
    connection: Connection, table: Table, archive: Archive, listed: dict[str, Any], bar: tqdm[Any]
) -> None:
    names = [column["name"] for column in listed["columns"]]
    read = reader([column["holds"] for column in listed["columns"]])
    counted = 0
    with archive.open(f"tables/{table.name}.ndjson") as lines:
        for some in _batches(lines):
            rows = [dict(zip(names, read(orjson.loads(line)), strict=True)) for line in some]
            connection.execute(insert(table), rows)
            counted += len(rows)
            bar.update(len(rows))
    if counted != listed["rows"]:
        raise ArchiveError(f"its table {table.name} has {counted} rows, and says {listed['rows']}")
    if connection.dialect.name == "postgresql":
        _wind_on(connection, table)


def _batches(lines: Any) -> Iterator[list[bytes]]:
    while some := list(islice(lines, _AT_ONCE)):
        yield some


def _wind_on(connection: Connection, table: Table) -> None:
    """Set the sequences of PostgreSQL to go on after the highest restored numbers."""
    for column in table.primary_key.columns:
        if isinstance(column.type, Integer):
            sequence = func.pg_get_serial_sequence(f'"{table.name}"', column.name)
            highest = select(func.max(column)).scalar_subquery()
            connection.execute(select(func.setval(sequence, highest)).where(highest.is_not(None)))


# ── the store ────────────────────────────────────────────────────────────────


def _place_bundle(archive: Archive, store: Store, version: str) -> None:
    """Put a bundle into the store, unless it is there already, and verify it in both cases."""
    if not is_version(version):
        raise ArchiveError(f"{version!r} is no version of a bundle")
    try:
        if not isinstance(store, Path):
            folder = _uploaded(archive, store, version)
        else:
            folder = store / "bundles" / version
            if not folder.exists():
                _unpack(archive, f"bundles/{version}/", folder)
        verify_files(folder, read_manifest(folder))
    except BundleError as error:
        raise ArchiveError(f"{error}; remove it from the store and restore again") from None


def _uploaded(archive: Archive, store: RemotePlace, version: str) -> Path:
    """Put a bundle into an S3-compatible store, unless it is there already; return this machine's copy."""
    if version not in store.versions():
        copy = store.cache / f".restored-{secrets.token_hex(6)}" / version
        try:
            _unpack(archive, f"bundles/{version}/", copy)
            store.add(version, {path.name: path.read_bytes() for path in copy.iterdir()})
        finally:
            shutil.rmtree(copy.parent, ignore_errors=True)
    return store.folder(version)


def _place_files(archive: Archive, blobs: Blobs | None) -> None:
    """Put the archive's files among those of the service; a file of the same key has the same content."""
    names = archive.names(FILES)
    if names and blobs is None:
        raise ArchiveError("it holds files, and there is no place for them")
    for name in names:
        assert blobs is not None
        try:
            blobs.put(name.removeprefix(FILES), archive.read(name))
        except ValueError:
            raise ArchiveError(f"{name!r} is no name of a file") from None


def _unpack(archive: Archive, under: str, folder: Path) -> None:
    """Write a bundle into a temporary folder of the store, verify it, and move it to its final one."""
    aside = folder.parent / f".restoring-{secrets.token_hex(6)}" / folder.name
    aside.mkdir(parents=True)
    try:
        for name in _listed(archive, under):
            write_durably(aside / name, archive.read(under + name))
        sync_folder(aside)
        verify_files(aside, read_manifest(aside))
        aside.rename(folder)
        sync_folder(folder.parent)
    finally:
        shutil.rmtree(aside.parent, ignore_errors=True)


def _listed(archive: Archive, under: str) -> list[str]:
    """Return the files that the bundle's own manifest lists: nothing verifies what lies beside them."""
    there = {name.removeprefix(under) for name in archive.names(under)}
    try:
        names = [MANIFEST, *orjson.loads(archive.read(under + MANIFEST))["files"]]
    except (KeyError, TypeError, ValueError) as error:
        raise BundleError(f"the bundle at {under} has no {MANIFEST} that can be read") from error
    return [name for name in names if name in there and is_file_name(name)]


def _place_state(archive: Archive, store: Store, *, force: bool) -> None:
    """Restore CURRENT and the history, unless the store has its own or the current bundle was lost."""
    if not archive.names(f"store/{CURRENT}") or (Registry(store).mark() is not None and not force):
        return
    if orjson.loads(archive.read(f"store/{CURRENT}"))["version"] not in archive.manifest["bundles"]:
        return
    for name in (HISTORY, CURRENT):  # CURRENT comes last, because it puts the bundle into service
        _write_state(store, name, archive.read(f"store/{name}"))


def _write_state(store: Store, name: str, data: bytes) -> None:
    if not isinstance(store, Path):
        store.put(name, data)
        return
    aside = store / f".{name}-{secrets.token_hex(6)}"
    write_durably(aside, data)
    aside.replace(store / name)
    sync_folder(store)
