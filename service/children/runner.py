"""Run a module's `main` in a process of its own, so that no input can harm or hold the worker."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import IO

from models.costs import MOST_CHILDREN_WAITED_FOR
from service.errors import BusyError, ServiceError
from service.server.threads.pool import giving_place

REFUSED = 2  # the exit status of a child that says what is wrong with its input
_AT_ONCE = threading.BoundedSemaphore(2)  # children of one worker
_LINE = threading.BoundedSemaphore(MOST_CHILDREN_WAITED_FOR)
_LONGEST_REASON = 500


class ChildRefusedError(ServiceError):
    """The child refused its input; the message says why."""


class ChildFailedError(ServiceError):
    """The child ended without an answer: it met a limit, or it is broken."""


def run(
    module: str, given: bytes | IO[bytes], *, seconds: float, memory: int, arguments: Sequence[str] = ()
) -> bytes:
    """Return what `main(given, arguments)` of this module returns, called in a process of its own.

    `given`: bytes, or a real file that is read from its present position. `seconds`: the longest time, of
    processor and by the clock; `memory`: the most bytes of address space. Another request is worked on
    meanwhile. Raises ChildRefusedError, ChildFailedError; BusyError where too many wait for theirs already.
    """
    command = [sys.executable, "-m", "service.children.child", module, str(seconds), str(memory), *arguments]
    sent, source = (given, subprocess.PIPE) if isinstance(given, bytes) else (None, given)
    with (
        _in_line(),
        giving_place(),
        _AT_ONCE,
        subprocess.Popen(
            command,
            stdin=source,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        ) as child,
    ):
        try:
            answer, said = child.communicate(sent, timeout=seconds)
        except subprocess.TimeoutExpired:
            child.kill()
            raise ChildFailedError(f"{module} took longer than {seconds:g} seconds") from None
        except BaseException:
            child.kill()
            raise
    if child.returncode == REFUSED:
        raise ChildRefusedError(said.decode("utf-8", "replace").strip()[:_LONGEST_REASON])
    if child.returncode:
        raise ChildFailedError(f"{module} ended with {child.returncode}")
    return answer


@contextmanager
def _in_line() -> Iterator[None]:
    """Hold a place among the threads that wait for children, so that some are left for other requests."""
    if not _LINE.acquire(blocking=False):
        raise BusyError("As many photographs and reports are being made as the service can take at once.")
    try:
        yield
    finally:
        _LINE.release()
