"""Threads that work on a few requests at once, and others in whose place they wait.

A thread waits for a client under a deadline, or for another process; meanwhile another works in its place.
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from queue import SimpleQueue
from typing import Any

_RESET = struct.pack("ii", 1, 0)  # SO_LINGER: what was not taken is thrown away


class Deadlines:
    """The moments at which connections are shut down if the thread that waits for them is still waiting."""

    def __init__(self) -> None:
        self._due: dict[socket.socket, tuple[float, int]] = {}
        self.seconds = 20.0

    def begin(self, sock: socket.socket, how: int) -> None:
        """Shut this side of the connection down in `seconds`, unless `end` is called before."""
        self._due[sock] = (time.monotonic() + self.seconds, how)

    def end(self, sock: socket.socket) -> None:
        """Forget the connection's deadline: what was waited for has come."""
        self._due.pop(sock, None)

    def enforce(self) -> None:
        """Shut down every connection whose deadline is over; its thread then meets the end of the stream."""
        now = time.monotonic()
        for sock, (moment, how) in self._due.copy().items():
            if moment <= now:
                self.end(sock)
                with suppress(OSError):  # the client may have hung up itself
                    if how == socket.SHUT_RDWR:
                        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
                    sock.shutdown(how)


DEADLINES = Deadlines()  # of this process, which is one worker
HERE = threading.local()  # a thread's own: its `pool`, and the bytes of a `body` that were collected


class Pool:
    """Threads that work on `at_once` requests, and others in whose place they wait for clients.

    More threads at work would only take the interpreter from each other.
    """

    def __init__(self, at_once: int, most: int) -> None:
        self._at_once, self._most = at_once, most
        self._jobs: SimpleQueue[Any] = SimpleQueue()
        self._lock = threading.Lock()
        self._threads = self._working = 0

    def submit(self, work: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Let a thread do this work."""
        future: Future[Any] = Future()
        self._jobs.put((future, work, arguments))
        self._grow()
        return future

    def shutdown(self, wait: bool = False) -> None:
        """Do nothing: the threads end with the process."""

    def leave(self) -> None:
        """Let another thread work while this one waits for a client, until it comes `back`."""
        if not HERE.away:
            HERE.away = True
            with self._lock:
                self._working -= 1
            if not self._jobs.empty():
                self._grow()

    def back(self) -> None:
        """Count this thread among those that work again, if it had left."""
        if HERE.away:
            HERE.away = False
            with self._lock:
                self._working += 1

    def _grow(self) -> None:
        with self._lock:
            if self._working >= self._at_once or self._threads >= self._most:
                return
            self._working += 1
            self._threads += 1
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        HERE.pool, HERE.away = self, False
        while True:
            future, work, arguments = self._jobs.get()
            try:
                future.set_result(work(*arguments))
            except BaseException as error:
                future.set_exception(error)
            del future, work, arguments  # an idle thread keeps no connection
            with self._lock:
                if self._working > self._at_once:
                    self._working -= 1
                    self._threads -= 1
                    return


@contextmanager
def giving_place() -> Iterator[None]:
    """Let another request be worked on while this thread waits for another process.

    Outside a worker's pool, as in a command or a test, it does nothing.
    """
    pool: Pool | None = getattr(HERE, "pool", None)
    if pool is None:
        yield
        return
    pool.leave()
    try:
        yield
    finally:
        pool.back()
