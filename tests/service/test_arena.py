"""Threads of a worker share one arena of the C library: each arena of glibc reserves 64 MB of addresses."""

from __future__ import annotations

import subprocess
import sys

import pytest

PROGRAM = """
import sys, threading
from pathlib import Path
from service.server.gunicorn_app import share_one_arena

def size():
    return int(Path("/proc/self/status").read_text().partition("VmSize:")[2].split()[0]) / 1024

def hold():
    kept = [bytearray(600) for _ in range(1000)]
    ready.wait()
    done.wait()

if sys.argv[1] == "shared":
    share_one_arena()
threading.stack_size(2**20)
ready, done, before = threading.Barrier(9), threading.Event(), size()
threads = [threading.Thread(target=hold) for _ in range(8)]
for one in threads:
    one.start()
ready.wait()
print(size() - before)
done.set()
"""


def growth(how: str) -> float:
    """Megabytes of addresses that eight threads add to a process."""
    done = subprocess.run([sys.executable, "-c", PROGRAM, how], capture_output=True, text=True, check=True)
    return float(done.stdout)


def test_threads_share_one_arena() -> None:
    if growth("as it comes") < 64:
        pytest.skip("this C library gives threads no arenas of their own")
    assert growth("shared") < 64
