"""A cache of the values that were used last, and one of a single value that is made again when it is old."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


class RecentCache(Generic[K, V]):
    """A cache that keeps the `most` values that were used last."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._values: OrderedDict[K, V] = OrderedDict()
        self._lock = threading.Lock()  # held while making: two threads that want one value make it once

    def get(self, key: K, make: Callable[[], V]) -> V:
        """Return the value of this key; make it if it is not in the cache."""
        with self._lock:
            if key not in self._values:
                self._values[key] = make()
            self._values.move_to_end(key)
            while len(self._values) > self._most:
                self._values.popitem(last=False)
            return self._values[key]


class LastAnswer(Generic[V]):
    """A value that is good for `seconds`. One caller makes it again; the others get the old one meanwhile."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._made: tuple[float, V] | None = None
        self._lock = threading.Lock()

    def get(self, make: Callable[[], V]) -> V:
        """Return the value; make it if there is none that is good."""
        found = self._made
        if found is not None and time.monotonic() - found[0] < self._seconds:
            return found[1]
        if not self._lock.acquire(blocking=found is None):
            assert found is not None  # else it would have waited
            return found[1]
        try:
            value = make()
            self._made = (time.monotonic(), value)
            return value
        finally:
            self._lock.release()
