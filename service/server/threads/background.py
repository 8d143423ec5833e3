"""Threads that work beside the requests, as long as their process lives."""

from __future__ import annotations

import threading
import time

_LOOK_SECONDS = 0.2  # how soon a thread notices that its process ends


def paused(seconds: float) -> bool:
    """Wait so long; return False early if the process ends."""
    until = time.monotonic() + seconds
    while threading.main_thread().is_alive() and time.monotonic() < until:
        time.sleep(min(_LOOK_SECONDS, seconds))
    return threading.main_thread().is_alive()
