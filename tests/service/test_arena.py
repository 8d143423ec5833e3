"""A worker keeps little memory that is free: its threads share one arena, and large blocks are given back.

Each arena of glibc reserves 64 MB of addresses.
"""

from __future__ import annotations

import subprocess
import sys

import pytest

# It prints the megabytes of addresses that eight threads add to it.
ARENAS = """
import sys, threading
from pathlib import Path
from service.server.gunicorn_app import give_memory_back

def size():
    return int(Path("/proc/self/status").read_text().partition("VmSize:")[2].split()[0]) / 1024

def hold():
    kept = [bytearray(600) for _ in range(1000)]
    ready.wait()
    done.wait()

if sys.argv[1] == "told":
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


def printed(program: str, how: str) -> float:
    """The megabytes that a program prints; `how`: whether it calls `give_memory_back` first."""
    done = subprocess.run([sys.executable, "-c", program, how], capture_output=True, text=True, check=True)
    return float(done.stdout)


def test_threads_share_one_arena() -> None:
    if printed(ARENAS, "as it comes") < 64:
        pytest.skip("this C library gives threads no arenas of their own")
    assert printed(ARENAS, "told") < 64


# It prints the megabytes that it keeps of three blocks of 20, freed one after the other, small ones between.
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


def test_large_blocks_are_given_back() -> None:
    if printed(BLOCKS, "as it comes") < 10:
        pytest.skip("this C library keeps no large blocks")
    assert printed(BLOCKS, "told") < 10
