"""The archive as a file: written whole or not at all, and read with every entry checked by its hash."""

from __future__ import annotations

import hashlib
import os
import secrets
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import orjson

from models.bundles.bundle import sync_folder
from service.errors import ArchiveError

FORMAT = 1
MANIFEST = "manifest.json"
_PIECE = 2**20


class ArchiveWriter:
    """Adds entries to an archive one by one, and lists the size and hash of each in its manifest."""

    def __init__(self, packed: zipfile.ZipFile) -> None:
        self._packed = packed
        self._entries: dict[str, dict[str, Any]] = {}

    def add(self, name: str, pieces: Iterable[bytes]) -> None:
        """Write one entry of any length, with no more than one piece of it in memory."""
        digest, size = hashlib.sha256(), 0
        with self._packed.open(name, "w", force_zip64=True) as entry:
            for piece in pieces:
                digest.update(piece)
                size += len(piece)
                entry.write(piece)
        self._entries[name] = {"sha256": digest.hexdigest(), "size": size}

    def end(self, about: dict[str, Any]) -> None:
        """Write the manifest, with the members of `about`, as the last entry."""
        manifest = {"format": FORMAT, **about, "entries": self._entries}
        self._packed.writestr(MANIFEST, orjson.dumps(manifest, option=orjson.OPT_INDENT_2))


@contextmanager
def writing_archive(path: Path) -> Iterator[ArchiveWriter]:
    """Write a new archive, which appears under its name when the block ends without an error.

    Only its owner can read the file, because it holds the whole database. Raises ArchiveError if a file of
    that name exists.
    """
    if path.exists():
        raise ArchiveError(f"{path} is there already: name another file")
    aside = path.with_name(f".{path.name}-{secrets.token_hex(6)}")
    try:
        with open(aside, "xb", opener=lambda name, flags: os.open(name, flags, 0o600)) as stream:
            with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
                yield ArchiveWriter(packed)
            stream.flush()
            os.fsync(stream.fileno())
        _move(aside, path)
    except FileExistsError:
        raise ArchiveError(f"{path} is there already: name another file") from None
    finally:
        aside.unlink(missing_ok=True)
    sync_folder(path.parent)


def _move(aside: Path, path: Path) -> None:
    try:
        os.link(aside, path)  # unlike a rename, a link never replaces a file
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        aside.rename(path)


class Archive:
    """An archive opened for reading, with its `manifest`."""

    def __init__(self, packed: zipfile.ZipFile) -> None:
        self._packed = packed
        self.manifest = self._manifest()

    def _manifest(self) -> dict[str, Any]:
        try:
            found: dict[str, Any] = orjson.loads(self._packed.read(MANIFEST))
            known, names = found["format"] == FORMAT, {*found["entries"], MANIFEST}
        except (KeyError, TypeError, ValueError, zipfile.BadZipFile):
            raise ArchiveError(f"its {MANIFEST} cannot be read: it is no backup, or a damaged one") from None
        if not known:
            raise ArchiveError(f"it is of format {found['format']!r}; this program reads {FORMAT}")
        if set(self._packed.namelist()) != names:
            raise ArchiveError("its entries are not those that it names")
        return found

    def check(self) -> None:
        """Read every entry once. Raises ArchiveError naming the first one that is not as it was written."""
        for name, wanted in self.manifest["entries"].items():
            digest, size = hashlib.sha256(), 0
            try:
                with self.open(name) as entry:
                    while piece := entry.read(_PIECE):
                        digest.update(piece)
                        size += len(piece)
            except (OSError, zipfile.BadZipFile, zlib.error):
                raise ArchiveError(f"its entry {name} cannot be read") from None
            if {"sha256": digest.hexdigest(), "size": size} != wanted:
                raise ArchiveError(f"its entry {name} is not what was written")

    def names(self, under: str) -> list[str]:
        """Return the names of all entries that begin with this text."""
        return [name for name in self.manifest["entries"] if name.startswith(under)]

    def open(self, name: str) -> IO[bytes]:
        """Open an entry for reading from its start."""
        return self._packed.open(name)

    def read(self, name: str) -> bytes:
        """Return the whole content of an entry."""
        return self._packed.read(name)


@contextmanager
def reading_archive(path: Path) -> Iterator[Archive]:
    """Open an archive and check every entry first. Raises ArchiveError for a damaged one."""
    try:
        with zipfile.ZipFile(path) as packed:
            archive = Archive(packed)
            archive.check()
            yield archive
    except zipfile.BadZipFile:
        raise ArchiveError(f"{path} is no backup: it is not a whole zip") from None
