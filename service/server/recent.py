"""A cache of the values that were used last."""

from __future__ import annotations

import threading
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
