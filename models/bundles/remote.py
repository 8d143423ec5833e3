"""A store of bundles that is an S3-compatible store, with verified copies in a folder of this machine.

Below its prefix it holds what a folder does: CURRENT, history.jsonl and bundles/VERSION/FILE. A bundle's
manifest is written last, so a bundle without one is not there yet. CURRENT is replaced only if it is still
what was read (a conditional write); of two changes at once the later one is made anew on top of the other.
"""

import json
import os
import secrets
import shutil
import tempfile
from collections.abc import Callable, Hashable, Iterator, Mapping
from contextlib import contextmanager
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from models.bundles.access import Access, open_s3
from models.bundles.bundle import (
    MANIFEST,
    is_file_name,
    is_version,
    read_manifest,
    verify_files,
    write_at_once,
    write_durably,
)
from models.bundles.folder import CURRENT, HISTORY, Seen
from models.costs import BUNDLE_SECONDS, FILES_SECONDS, STORE_TRIES
from models.errors import BundleDamagedError, BundleError, BundleMissingError, StoreAwayError

if TYPE_CHECKING:
    from obstore.store import S3Store

T = TypeVar("T")


class _OvertakenError(BundleError):
    """Another change of CURRENT came first."""


class RemotePlace:
    """An S3-compatible store. Its library and connections are made when they are first needed."""

    def __init__(self, address: str, access: Access) -> None:
        self._address, self._access = address, access

    def __str__(self) -> str:
        return self._address

    @cached_property
    def _quick(self) -> "S3Store":
        return open_s3(self._address, self._access, FILES_SECONDS)

    @cached_property
    def _slow(self) -> "S3Store":
        return open_s3(self._address, self._access, BUNDLE_SECONDS)

    @cached_property
    def cache(self) -> Path:
        """The folder of this store's copies on this machine. Raises BundleError if others can write to it."""
        named = self._access.store_cache
        root = Path(named) if named else Path(tempfile.gettempdir()) / f"bookmatch-models-{os.getuid()}"
        root.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = root.stat()
        if found.st_uid != os.getuid() or found.st_mode & 0o022:
            raise BundleError(
                f"{root} can be written by others: name another folder in BOOKMATCH_STORE_CACHE"
            )
        name = sha256(f"{self._access.files_endpoint} {self._address}".encode()).hexdigest()[:16]
        (root / name).mkdir(mode=0o700, exist_ok=True)
        return (root / name).absolute()

    # ── bundles ──────────────────────────────────────────────────────────────

    def versions(self) -> list[str]:
        with _told(self):
            keys = [one["path"] for some in self._quick.list("bundles") for one in some]
        parts = [key.split("/") for key in keys]
        return [p[1] for p in parts if len(p) == 3 and p[2] == MANIFEST and is_version(p[1])]

    def has(self, version: str) -> bool:
        if not is_version(version):
            return False
        if (self.cache / "bundles" / version).is_dir():
            return True
        with _told(self):
            try:
                self._quick.head(f"bundles/{version}/{MANIFEST}")
            except FileNotFoundError:
                return False
            return True

    def folder(self, version: str, manifest_sha256: str | None = None) -> Path:
        """Return the copy of a bundle; one that is not there or not whole is fetched."""
        copy = self.cache / "bundles" / version
        if not _is_whole(copy, manifest_sha256):
            self._fetch(version, copy, manifest_sha256)
        return copy

    def told(self, version: str) -> Path:
        """Return a folder that has a bundle's manifest, fetching no more than that."""
        copy = self.cache / "bundles" / version
        if copy.is_dir():
            return copy
        alone = self.cache / "manifests" / version
        if not alone.is_dir():
            self._keep(alone, {MANIFEST: self._file(version, MANIFEST)})
        return alone

    def add(self, version: str, files: Mapping[str, bytes]) -> None:
        """Write a bundle, its manifest last."""
        with _told(self):
            for name in sorted(files, key=lambda name: name == MANIFEST):
                self._slow.put(f"bundles/{version}/{name}", files[name])

    def _fetch(self, version: str, copy: Path, manifest_sha256: str | None) -> None:
        """Fetch a bundle into a folder aside, verify it there, and move it to its place."""
        aside = self.cache / f".fetching-{secrets.token_hex(6)}"
        try:
            fetched = aside / version
            write_at_once(aside, version, {MANIFEST: self._file(version, MANIFEST)})
            manifest = read_manifest(fetched, manifest_sha256)
            for name in manifest["files"]:
                if not is_file_name(name):
                    raise BundleDamagedError(f"bundle {version}: {name!r} cannot be a file of a bundle")
                (fetched / name).write_bytes(self._file(version, name))
            verify_files(fetched, manifest)
            copy.parent.mkdir(exist_ok=True)
            if copy.is_dir():  # a damaged copy makes way
                copy.rename(aside / "damaged")
            _moved(fetched, copy)
        finally:
            shutil.rmtree(aside, ignore_errors=True)

    def _keep(self, folder: Path, files: Mapping[str, bytes]) -> None:
        aside = self.cache / f".keeping-{secrets.token_hex(6)}"
        folder.parent.mkdir(exist_ok=True)
        try:
            write_at_once(aside, folder.name, files)
            _moved(aside / folder.name, folder)
        finally:
            shutil.rmtree(aside, ignore_errors=True)

    def _file(self, version: str, name: str) -> bytes:
        with _told(self):
            try:
                return bytes(self._slow.get(f"bundles/{version}/{name}").bytes())
            except FileNotFoundError:
                pass
        if name == MANIFEST:
            raise BundleMissingError(f"there is no bundle {version} in {self}")
        raise BundleDamagedError(f"bundle {version}: {name} is not in {self}")

    # ── CURRENT and the log ──────────────────────────────────────────────────

    def current(self) -> Seen | None:
        """Return the content of CURRENT, and keep a copy for a start while the store is out of reach."""
        found = self._read(CURRENT)
        kept = self.cache / CURRENT
        if found is not None and (not kept.is_file() or kept.read_bytes() != found.data):
            aside = self.cache / f".{CURRENT}-{secrets.token_hex(6)}"
            write_durably(aside, found.data)
            aside.replace(kept)
        return found

    def last_current(self) -> Seen | None:
        try:
            return Seen((self.cache / CURRENT).read_bytes())
        except FileNotFoundError:
            return None

    def mark(self) -> Hashable:
        with _told(self):
            try:
                return self._quick.head(CURRENT)["e_tag"]
            except FileNotFoundError:
                return None

    def alone(self, change: Callable[[], T]) -> T:
        """Make a change, and make it anew each time that another one came first."""
        for _ in range(STORE_TRIES):
            try:
                return change()
            except _OvertakenError:
                continue
        raise BundleError(f"others keep changing what is current in {self}: try again")

    def replace(self, data: bytes, seen: Seen | None) -> None:
        if not self._write(CURRENT, data, seen):
            now = self._read(CURRENT)
            if now is None or now.data != data:  # else an attempt whose answer was lost did write it
                raise _OvertakenError(f"what is current in {self} was changed meanwhile")

    def history(self) -> bytes:
        found = self._read(HISTORY)
        return found.data if found else b""

    def log(self, entry: Mapping[str, Any]) -> None:
        line = (json.dumps(entry, ensure_ascii=False) + "\n").encode()
        for _ in range(STORE_TRIES):
            found = self._read(HISTORY)
            before = found.data if found else b""
            # Whoever changed CURRENT next may have logged this change already.
            if line in before.splitlines(keepends=True) or self._write(HISTORY, before + line, found):
                return
        raise BundleError(f"others keep writing the log of {self}; the change is made")

    def put(self, name: str, data: bytes) -> None:
        """Write CURRENT or the log whatever is there."""
        with _told(self):
            self._quick.put(name, data)

    def _read(self, name: str) -> Seen | None:
        with _told(self):
            try:
                found = self._quick.get(name)
                return Seen(bytes(found.bytes()), found.meta["e_tag"] or "")
            except FileNotFoundError:
                return None

    def _write(self, name: str, data: bytes, seen: Seen | None) -> bool:
        """Write a file if it is what was `seen`, and say so; a store without conditions just writes."""
        from obstore.exceptions import AlreadyExistsError, NotSupportedError, PreconditionError

        with _told(self):
            try:
                self._quick.put(name, data, mode={"e_tag": seen.tag} if seen else "create")
            except (AlreadyExistsError, PreconditionError):
                return False
            except NotSupportedError:
                self._quick.put(name, data)
            return True


def _is_whole(copy: Path, manifest_sha256: str | None) -> bool:
    try:
        verify_files(copy, read_manifest(copy, manifest_sha256))
    except BundleError:
        return False
    return True


def _moved(folder: Path, to: Path) -> None:
    """Move a verified folder to its place, unless another process was first."""
    try:
        folder.rename(to)
    except OSError:
        if not to.is_dir():
            raise


@contextmanager
def _told(place: RemotePlace) -> Iterator[None]:
    """Turn the library's errors into ours. Their text can hold keys of the store, so it is not repeated."""
    from obstore.exceptions import BaseError, PermissionDeniedError, UnauthenticatedError

    try:
        yield
    except (PermissionDeniedError, UnauthenticatedError):
        raise StoreAwayError(f"{place} refuses its key: see BOOKMATCH_FILES_KEY_ID") from None
    except FileNotFoundError:
        raise StoreAwayError(f"{place} has no such bucket") from None
    except (BaseError, OSError) as error:
        raise StoreAwayError(f"{place} does not answer ({type(error).__name__})") from None
