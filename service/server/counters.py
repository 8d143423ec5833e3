"""Counts of requests in windows of time, shared by all workers of one server: exact, without a database.

The counts are in memory that the server maps before it forks its workers. A lock guards them, which the
system releases if a worker dies. Servers share counts where a setting says so
(`service.server.shared_counters`); without it they do not, and a restarted server begins at zero.
"""

from __future__ import annotations

import fcntl
import hashlib
import math
import mmap
import os
import struct
import tempfile
import threading
import time
import weakref
from typing import NamedTuple, Protocol

_SLOTS = 8  # slots in a set; a name's hash says in which set it is counted
_SLOT = struct.Struct("<16sdII")  # digest of the name, start of its window, window's length in seconds, count
_SET = struct.Struct("<" + _SLOT.format.removeprefix("<") * _SLOTS)


class Taken(NamedTuple):
    """The result of counting a request: whether it is allowed, requests left, seconds to the window's end."""

    allowed: bool
    left: int
    seconds: int


class Counting(Protocol):
    """Counts of requests by name, in windows of time."""

    def take(self, name: str, quota: int, window: int, amount: int = 1) -> Taken:
        """Count one request of this name, or an `amount`, unless that is more than its quota in a window."""
        ...

    def count(self, name: str, window: int) -> int:
        """Return how many requests of this name were counted in its present window; this counts none."""
        ...


class Counters:
    """Counts of requests by name. A window begins with a name's first request, or its first after a window.

    There is room for 8 · `sets` names. If a ninth name needs a slot in a full set, the name with the fewest
    requests is forgotten.
    """

    def __init__(self, sets: int = 2048) -> None:
        self._sets = sets
        self._salt = os.urandom(
            16
        )  # hides callers' addresses in memory, and keeps callers from guessing a set
        self._file, path = tempfile.mkstemp()
        os.unlink(path)  # the file vanishes with the last process that has it open
        weakref.finalize(self, os.close, self._file)
        os.truncate(self._file, sets * _SET.size)
        self._memory = mmap.mmap(self._file, sets * _SET.size)
        self._lock = threading.Lock()  # the system's lock keeps processes apart, not threads

    def take(self, name: str, quota: int, window: int, amount: int = 1) -> Taken:
        """Count one request of this name, or an `amount`, unless that is more than its quota in a window."""
        digest, at = self._place(name)
        with self._lock:
            fcntl.lockf(self._file, fcntl.LOCK_EX, _SET.size, at)
            try:
                return self._taken(digest, at, quota, window, amount)
            finally:
                fcntl.lockf(self._file, fcntl.LOCK_UN, _SET.size, at)

    def count(self, name: str, window: int) -> int:
        """Return how many requests of this name were counted in its present window; this counts none."""
        digest, at = self._place(name)
        now = time.monotonic()
        with self._lock:
            fcntl.lockf(self._file, fcntl.LOCK_EX, _SET.size, at)
            try:
                _, began, count = self._found(digest, at, now)
            finally:
                fcntl.lockf(self._file, fcntl.LOCK_UN, _SET.size, at)
        return count if began <= now < began + window else 0

    def _place(self, name: str) -> tuple[bytes, int]:
        """Return the name's digest, and where in memory its set begins."""
        digest = hashlib.blake2b(name.encode(), digest_size=16, key=self._salt).digest()
        return digest, int.from_bytes(digest[:4]) % self._sets * _SET.size

    def _taken(self, digest: bytes, at: int, quota: int, window: int, amount: int) -> Taken:
        now = time.monotonic()  # one clock for all processes of a host
        slot, began, count = self._found(digest, at, now)
        if not began <= now < began + window:
            began, count = now, 0
        allowed = count + amount <= quota
        if allowed:
            count += amount
            _SLOT.pack_into(self._memory, at + slot * _SLOT.size, digest, began, window, count)
        return Taken(allowed, quota - count if allowed else 0, max(1, math.ceil(began + window - now)))

    def _found(self, digest: bytes, at: int, now: float) -> tuple[int, float, int]:
        """Return the name's slot, window start and count; for a new name the slot to use, and no window."""
        position = self._memory.find(digest, at, at + _SET.size)
        if position >= 0:
            _, began, _, count = _SLOT.unpack_from(self._memory, position)
            return (position - at) // _SLOT.size, began, count
        row = _SET.unpack_from(self._memory, at)
        live = [
            count if start <= now < start + window else 0
            for start, window, count in zip(row[1::4], row[2::4], row[3::4], strict=True)
        ]
        return live.index(min(live)), -math.inf, 0


class Shared(NamedTuple):
    """The counters of a service. Keys have their own, so that many addresses cannot crowd them out."""

    keys: Counting
    addresses: Counting


def shared() -> Shared:
    """Make counters that begin at zero; a server calls this before it forks its workers."""
    return Shared(Counters(), Counters())
