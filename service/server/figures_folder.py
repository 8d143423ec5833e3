"""The folder of the workers' metrics files: new and empty when the server starts, removed when it ends.

Files left from an earlier start would be counted again, under the ids of other processes.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

FOLDER = "PROMETHEUS_MULTIPROC_DIR"  # variable that prometheus-client reads when first imported
PREFIX = "bookmatch-figures-"
_LOCK = "lock"


@contextmanager
def counting_folder(parent: Path) -> Iterator[Path]:
    """Make the folder for the length of the block; first remove folders that killed servers left behind."""
    _sweep(parent)
    folder, owner = Path(tempfile.mkdtemp(prefix=PREFIX, dir=parent)), os.getpid()
    with (folder / _LOCK).open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        try:
            yield folder
        finally:
            if os.getpid() == owner:  # a worker that was forked in the block leaves through here as well
                shutil.rmtree(folder, ignore_errors=True)


def _sweep(parent: Path) -> None:
    for folder in parent.glob(f"{PREFIX}*"):
        try:
            if folder.stat().st_uid == os.getuid() and _is_left(folder):
                shutil.rmtree(folder, ignore_errors=True)
        except OSError:  # another start sweeps too, and was faster
            continue


def _is_left(folder: Path) -> bool:
    """Say whether no server uses the folder; a server and its workers hold its lock until they end."""
    try:
        with (folder / _LOCK).open("r+") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (FileNotFoundError, BlockingIOError):  # without a lock file, its server is just starting
        return False
    return True
