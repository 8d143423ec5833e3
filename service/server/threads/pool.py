"""Threads that work on a few requests at once, and others in whose place they wait.

A thread waits for a client under a deadline, or for another process; meanwhile another works in its place.
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from queue import SimpleQueue
from typing import Any, NamedTuple

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


class _Job(NamedTuple):
    future: Future[Any]
    work: Callable[..., Any]
    arguments: tuple[Any, ...]


class Pool:
    """Threads that work on `at_once` requests, and others in whose place they wait for clients.

    More threads at work would only take the interpreter from each other. A place that becomes free goes to
    whoever has waited longest for one, be it a new request or a thread that has `left` and comes `back`.
    """

    def __init__(self, at_once: int, most: int) -> None:
        self._at_once, self._most = at_once, most
        self._lock = threading.Lock()
        self._wanting: deque[_Job | threading.Event] = deque()
        self._given: SimpleQueue[_Job] = SimpleQueue()
        self._threads = self._idle = self._working = 0

    def submit(self, work: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Let a thread do this work."""
        job = _Job(Future(), work, arguments)
        with self._lock:
            self._wanting.append(job)
            self._give_places()
        return job.future

    def shutdown(self, wait: bool = False) -> None:
        """Do nothing: the threads end with the process."""

    def leave(self) -> None:
        """Let another thread work while this one waits for a client, until it comes `back`."""
        if not HERE.away:
            HERE.away = True
            with self._lock:
                self._working -= 1
                self._give_places()

    def back(self) -> None:
        """Wait for a place among those that work, if this thread had left its own."""
        if not HERE.away:
            return
        HERE.away = False
        turn = threading.Event()
        with self._lock:
            self._wanting.append(turn)
            self._give_places()
        turn.wait()

    def _give_places(self) -> None:
        """Give the free places away; called with the lock held."""
        while self._working < self._at_once:
            ready = self._idle or self._threads < self._most
            first = next((one for one in self._wanting if ready or isinstance(one, threading.Event)), None)
            if first is None:
                return
            self._wanting.remove(first)
            self._working += 1
            if isinstance(first, threading.Event):
                first.set()
            else:
                self._begin(first)

    def _begin(self, job: _Job) -> None:
        self._given.put(job)
        if self._idle:
            self._idle -= 1
        else:
            self._threads += 1
            threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        HERE.pool, HERE.away = self, False
        while True:
            self._do(self._given.get())
            with self._lock:
                self._working -= 1
                ends = self._idle >= self._at_once
                self._threads -= ends
                self._idle += not ends
                self._give_places()
            if ends:
                return

    def _do(self, job: _Job) -> None:
        """Do the work in a frame of its own, so that an idle thread keeps no connection."""
        try:
            job.future.set_result(job.work(*job.arguments))
        except BaseException as error:
            job.future.set_exception(error)


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
