"""The folder in which the workers of one server count: new and empty at each start, gone after its end.

Figures left from an earlier start would be counted again under the numbers of other processes.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

FOLDER = "PROMETHEUS_MULTIPROC_DIR"  # prometheus-client's own name: it looks there when it is first imported
PREFIX = "bookmatch-figures-"
_LOCK = "lock"


@contextmanager
def counting_folder(parent: Path) -> Iterator[Path]:
    """A folder for as long as the block lasts; those that killed servers left behind are removed first."""
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
    """Say whether no server counts in it; one that does holds the lock until it and its workers end."""
    try:
        with (folder / _LOCK).open("r+") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (FileNotFoundError, BlockingIOError):  # the former: its server is just about to lock it
        return False
    return True
