"""Write, read and delete files by their keys, wherever the settings say that they lie."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.engine import make_url

from models.bundles.access import S3, open_s3
from models.bundles.bundle import sync_folder
from models.costs import FILES_SECONDS
from service.blobs.places import access_of
from service.errors import FilesError, NoRoomError
from service.settings import Settings

if TYPE_CHECKING:
    from obstore.store import LocalStore, S3Store

_FOLDER = "files"
# The words of the library for ENOSPC and EDQUOT, which it gives no class of their own.
_FULL = ("StorageFull", "QuotaExceeded")


class Blobs:
    """The files of one installation; the library and its connections are made when a file is first needed."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self.folder = folder_of(settings)

    @cached_property
    def _store(self) -> LocalStore | S3Store:
        from obstore.store import LocalStore

        if self.folder is None:
            return open_s3(self._settings.files, access_of(self._settings), FILES_SECONDS)
        return LocalStore(self.folder, mkdir=True)

    def put(self, key: str, data: bytes) -> None:
        """Write a file as a whole; it is on the disk when this returns. Raises NoRoomError, FilesError."""
        with _told():
            self._store.put(key, data)
            if self.folder is not None:
                _sync(self.folder / key)

    def get(self, key: str) -> bytes | None:
        """Return the content of a file, None if there is none. Raises FilesError."""
        with _told():
            try:
                return bytes(self._store.get(key).bytes())
            except FileNotFoundError:
                return None

    def exists(self, key: str) -> bool:
        """Say whether there is such a file. Raises FilesError."""
        with _told():
            try:
                self._store.head(key)
            except FileNotFoundError:
                return False
            return True

    def delete(self, key: str) -> None:
        """Delete a file, if there is one. Raises FilesError."""
        with _told():
            try:
                self._store.delete(key)
            except FileNotFoundError:
                return

    def keys(self, under: str, before: datetime | None = None) -> Iterator[str]:
        """Yield the keys below this one; `before`: of files written before this moment. Raises FilesError."""
        with _told():
            for some in self._store.list(under):
                for one in some:
                    if before is None or one["last_modified"] < before:
                        yield one["path"]


def folder_of(settings: Settings) -> Path | None:
    """Return the folder of the files, None if they lie in an S3-compatible store."""
    if settings.files.startswith(S3):
        return None
    if settings.files:
        return Path(settings.files).absolute()
    url = make_url(settings.database)
    beside = url.database if url.get_backend_name() == "sqlite" else None
    return Path(beside or "").absolute().parent / _FOLDER if beside else Path(_FOLDER).absolute()


def _sync(path: Path) -> None:
    written = os.open(path, os.O_RDONLY)
    try:
        os.fsync(written)
    finally:
        os.close(written)
    sync_folder(path.parent)


@contextmanager
def _told() -> Iterator[None]:
    """Turn the library's errors into ours. Their text can hold addresses, so it is not repeated."""
    from obstore.exceptions import BaseError

    try:
        yield
    except (BaseError, OSError) as error:
        if any(word in str(error) for word in _FULL):
            raise NoRoomError("There is no room left to keep files.") from None
        raise FilesError("The place where files are kept does not answer.") from error
