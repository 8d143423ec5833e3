"""The archive as a file: written whole or not at all, sealed, and read with every entry checked."""

from __future__ import annotations

import hashlib
import hmac
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
MANIFEST, SEAL = "manifest.json", "seal"
FILES = "files/"  # what the keys of files stand behind
_PURPOSE = b"bookmatch backup\n"  # so that no other code made with the secret can pass for a seal
_PIECE = 2**20


class ArchiveWriter:
    """Adds entries to an archive one by one, and lists the size and hash of each in its manifest."""

    def __init__(self, packed: zipfile.ZipFile, secret: str) -> None:
        self._packed, self._secret = packed, secret
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
        """Write the manifest, with the members of `about`, and its seal as the last entries."""
        manifest = {"format": FORMAT, **about, "entries": self._entries}
        data = orjson.dumps(manifest, option=orjson.OPT_INDENT_2)
        self._packed.writestr(MANIFEST, data)
        self._packed.writestr(SEAL, _seal(data, self._secret))


@contextmanager
def writing_archive(path: Path, secret: str) -> Iterator[ArchiveWriter]:
    """Write a new archive, which appears under its name when the block ends without an error.

    Only its owner can read the file, because it holds the whole database. `secret`: the service's, which
    seals it. Raises ArchiveError if a file of that name exists.
    """
    if path.exists():
        raise ArchiveError(f"{path} is there already: name another file")
    aside = path.with_name(f".{path.name}-{secrets.token_hex(6)}")
    try:
        with open(aside, "xb", opener=lambda name, flags: os.open(name, flags, 0o600)) as stream:
            with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
                yield ArchiveWriter(packed, secret)
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
            listed = self._packed.namelist()
        except (KeyError, TypeError, ValueError, zipfile.BadZipFile):
            raise ArchiveError(f"its {MANIFEST} cannot be read: it is no backup, or a damaged one") from None
        if not known:
            raise ArchiveError(f"it is of format {found['format']!r}; this program reads {FORMAT}")
        if set(listed) - {SEAL} != names or len(set(listed)) < len(listed):
            raise ArchiveError("its entries are not those that it names")
        return found

    def check_seal(self, secret: str) -> None:
        """Raise ArchiveError if the manifest was not sealed with this secret."""
        known = SEAL in self._packed.namelist()
        wanted, found = _seal(self.read(MANIFEST), secret), self.read(SEAL) if known else b""
        if not hmac.compare_digest(wanted.encode(), found):
            said = "was not sealed with BOOKMATCH_SECRET" if known else "has no seal"
            raise ArchiveError(
                f"it {said}: it was made by another service or changed since. If you trust it, restore it "
                "with --unauthenticated"
            )

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
def reading_archive(path: Path, secret: str | None) -> Iterator[Archive]:
    """Open an archive and check its seal and every entry first.

    `secret`: the service's; None: take an archive with any seal or none. Raises ArchiveError for an archive
    that is damaged, or that another secret sealed.
    """
    try:
        with zipfile.ZipFile(path) as packed:
            archive = Archive(packed)
            if secret is not None:
                archive.check_seal(secret)
            archive.check()
            yield archive
    except zipfile.BadZipFile:
        raise ArchiveError(f"{path} is no backup: it is not a whole zip") from None


def _seal(manifest: bytes, secret: str) -> str:
    return hmac.digest(secret.encode(), _PURPOSE + manifest, "sha256").hex()
