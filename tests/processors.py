"""The processor time of a running service, as the kernel counts it."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

_TICK = os.sysconf("SC_CLK_TCK")
_CHILDREN = slice(13, 15)  # of /proc/…/stat after the name: time of children that were waited for (proc(5))


def processor_seconds(pid: int) -> float:
    """Return the seconds that the threads of a process have used, and its children that have ended.

    A thread that has ended is left out, and children count in hundredths of a second.
    """
    used = 0
    for thread in Path(f"/proc/{pid}/task").iterdir():
        with suppress(FileNotFoundError, ProcessLookupError):  # it has just ended
            used += int((thread / "schedstat").read_text().split()[0])
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
    return used / 1e9 + sum(int(ticks) for ticks in fields[_CHILDREN]) / _TICK
