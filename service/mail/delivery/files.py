"""Deliver e-mails as files of a folder, each once: for trying the service out, and for who collects them."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from sqlalchemy.engine import make_url

from models.bundles.bundle import sync_folder
from service.settings import Settings

_SCHEME, _FOLDER = "file:", "mail"


def folder_of(settings: Settings) -> Path | None:
    """Return the folder that e-mails are written to; None if they go to a mail server."""
    if settings.mail:
        named = settings.mail.startswith(_SCHEME)
        return Path(settings.mail.removeprefix(_SCHEME)).absolute() if named else None
    url = make_url(settings.database)
    beside = url.database if url.get_backend_name() == "sqlite" else None
    return (Path(beside).absolute().parent if beside else Path.cwd()) / _FOLDER


def key_of(email_id: int, name: str) -> str:
    """Name an e-mail for good. SQLite gives the id of a deleted row again, so the id alone would not do."""
    return f"{email_id}-{hashlib.sha256(name.encode()).hexdigest()[:16]}"


def write(folder: Path, key: str, content: bytes) -> None:
    """Write the file of an e-mail as a whole; one that is there was sent before. Raises OSError.

    The caller holds the e-mail's row, so that nobody else writes it or deletes it meanwhile.
    """
    path, making = _paths(folder, key)
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if path.exists():
        return
    handle = os.open(making, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
    with open(handle, "wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    making.rename(path)
    sync_folder(folder)


def remove(folder: Path | None, email_id: int, name: str) -> None:
    """Delete the file of an e-mail, and what a process that was killed left of it."""
    for path in _paths(folder, key_of(email_id, name)) if folder else ():
        path.unlink(missing_ok=True)


def _paths(folder: Path, key: str) -> tuple[Path, Path]:
    return folder / f"{key}.eml", folder / f".{key}.eml"
