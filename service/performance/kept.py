"""Studies that were worked out, for as long as nothing that they judge has changed."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any

_MOST = 8  # in one process: one for each period that is asked for, and a little way back


class Studies:
    """The last few studies, each by all that it depends on."""

    def __init__(self) -> None:
        self._kept: OrderedDict[Hashable, dict[str, Any]] = OrderedDict()
        self._lock = threading.Lock()  # held while working out: two threads that want one study make it once

    def study(self, of: Hashable, work_out: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """The study of this, worked out if it is not kept."""
        with self._lock:
            if of not in self._kept:
                self._kept[of] = work_out()
            self._kept.move_to_end(of)
            while len(self._kept) > _MOST:
                self._kept.popitem(last=False)
            return self._kept[of]
