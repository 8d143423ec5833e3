"""A worker keeps little memory that is free: its threads share one arena, and large blocks are given back.

Each arena of glibc reserves 64 MB of addresses.
"""

from __future__ import annotations

import subprocess
import sys

import pytest

PROGRAM = """
import sys, threading
from pathlib import Path
from service.server.gunicorn_app import give_memory_back

def size():
    return int(Path("/proc/self/status").read_text().partition("VmSize:")[2].split()[0]) / 1024

def hold():
    kept = [bytearray(600) for _ in range(1000)]
    ready.wait()
    done.wait()

if sys.argv[1] == "shared":
    give_memory_back()
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


BLOCKS = """
import sys
from pathlib import Path
from service.server.gunicorn_app import give_memory_back

def resident():
    return int(Path("/proc/self/status").read_text().partition("VmRSS:")[2].split()[0]) / 1024

def large():
    return b"x" * (20 * 2**20)

if sys.argv[1] == "told":
    give_memory_back()
before, kept = resident(), []
for _ in range(3):
    block = large()
    kept.append([bytes(600) for _ in range(1000)])
    del block
print(resident() - before)
"""


def kept(how: str) -> float:
    """Megabytes that a process keeps of three blocks of 20, one freed after the other, small ones between."""
    done = subprocess.run([sys.executable, "-c", BLOCKS, how], capture_output=True, text=True, check=True)
    return float(done.stdout)


def test_large_blocks_are_given_back() -> None:
    if kept("as it comes") < 10:
        pytest.skip("this C library keeps no large blocks")
    assert kept("told") < 10
