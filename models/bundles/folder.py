"""A store of bundles that is a folder: CURRENT, the log of changes and a folder for each bundle."""

import fcntl
import json
import os
import secrets
from collections.abc import Callable, Hashable, Mapping
from pathlib import Path
from typing import Any, NamedTuple, Protocol, TypeVar

from models.bundles.bundle import is_version, sync_folder, write_durably
from models.errors import BundleMissingError

CURRENT, HISTORY, _LOCK = "CURRENT", "history.jsonl", ".lock"
T = TypeVar("T")


class Seen(NamedTuple):
    """The content of CURRENT as it was read, and what the store calls that version of it (empty: nothing)."""

    data: bytes
    tag: str = ""


class Place(Protocol):
    """The operations of a store of bundles, wherever it is. Its text is its address."""

    def versions(self) -> list[str]:
        """Return the versions of all complete bundles, in any order."""
        ...

    def has(self, version: str) -> bool:
        """Say whether there is a bundle of this version."""
        ...

    def folder(self, version: str, manifest_sha256: str | None = None) -> Path:
        """Return a folder of this machine with the bundle's files. Raises BundleError if they cannot be had.

        `manifest_sha256`: the hash that its manifest must have; a copy with another one is fetched again.
        """
        ...

    def told(self, version: str) -> Path:
        """Return such a folder in which nothing but the manifest need be."""
        ...

    def current(self) -> Seen | None:
        """Return the content of CURRENT; None if there is none."""
        ...

    def last_current(self) -> Seen | None:
        """Return the content of CURRENT that this machine read last, where the store can be out of reach."""
        ...

    def mark(self) -> Hashable:
        """Return what changes whenever CURRENT does; None if there is none."""
        ...

    def alone(self, change: Callable[[], T]) -> T:
        """Call what changes CURRENT so that no other change is lost by it."""
        ...

    def replace(self, data: bytes, seen: Seen | None) -> None:
        """Replace CURRENT, which was `seen`; called by what `alone` calls."""
        ...

    def history(self) -> bytes:
        """Return the log of changes."""
        ...

    def log(self, entry: Mapping[str, Any]) -> None:
        """Add a line to the log of changes."""
        ...


class FolderPlace:
    """A folder. Whoever changes CURRENT holds the lock of a file; a reader sees the old or the new one."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __str__(self) -> str:
        return str(self._folder)

    def versions(self) -> list[str]:
        folder = self._folder / "bundles"
        names = [p.name for p in folder.iterdir()] if folder.is_dir() else []
        return [name for name in names if is_version(name)]

    def has(self, version: str) -> bool:
        return version in self.versions()

    def folder(self, version: str, manifest_sha256: str | None = None) -> Path:
        return self._folder / "bundles" / version

    def told(self, version: str) -> Path:
        return self._folder / "bundles" / version

    def current(self) -> Seen | None:
        try:
            return Seen((self._folder / CURRENT).read_bytes())
        except FileNotFoundError:
            return None

    def last_current(self) -> Seen | None:
        return self.current()

    def mark(self) -> Hashable:
        try:
            found = (self._folder / CURRENT).stat()
        except OSError:
            return None
        return found.st_ino, found.st_mtime_ns, found.st_size

    def alone(self, change: Callable[[], T]) -> T:
        if not self._folder.is_dir():
            raise BundleMissingError(f"there is no store at {self}")
        with (self._folder / _LOCK).open("a") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            return change()

    def replace(self, data: bytes, seen: Seen | None) -> None:
        aside = self._folder / f".{CURRENT}-{secrets.token_hex(6)}"
        try:
            write_durably(aside, data)
            aside.replace(self._folder / CURRENT)
        except BaseException:
            aside.unlink(missing_ok=True)
            raise
        sync_folder(self._folder)

    def history(self) -> bytes:
        try:
            return (self._folder / HISTORY).read_bytes()
        except FileNotFoundError:
            return b""

    def log(self, entry: Mapping[str, Any]) -> None:
        line = json.dumps(entry, ensure_ascii=False) + "\n"
        with (self._folder / HISTORY).open("a+b") as log:
            end = log.seek(0, os.SEEK_END)
            if end and os.pread(log.fileno(), 1, end - 1) != b"\n":
                line = "\n" + line  # The last line was cut short, so this change begins a new line.
            log.write(line.encode())
            log.flush()
            os.fsync(log.fileno())
