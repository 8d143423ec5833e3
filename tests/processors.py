"""The processor time of a running process, as the kernel counts it."""

from __future__ import annotations

import os
import time
from pathlib import Path

_TICK = os.sysconf("SC_CLK_TCK")
_CHILDREN = slice(13, 15)  # of /proc/…/stat after the name: time of children that were waited for (proc(5))


def processor_seconds(pid: int) -> float:
    """Return the seconds that all threads of a process have used, and its children that have ended.

    Children count in hundredths of a second. The clock's name is what clock_getcpuclockid(3) makes of `pid`.
    """
    clock = (~pid << 3) | 2
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
    return time.clock_gettime(clock) + sum(int(ticks) for ticks in fields[_CHILDREN]) / _TICK
