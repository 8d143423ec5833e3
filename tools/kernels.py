"""Run the numerical tests under each kernel of OpenBLAS that this processor has, and say which ran.

OpenBLAS multiplies matrices by another kernel for each family of processors, and each kernel sums in another
order. A fit that has not converged, or that rests on a small difference of large numbers, answers otherwise
on another machine: here that is seen before it happens. Leaves with 1 where a test fails under any kernel.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
CPUINFO = Path("/proc/cpuinfo")
TESTS = ("tests/external", "tests/models", "tests/properties", "tests/training")
# One kernel for each set of instructions → the flag of a processor that can run it. Other names mostly lead
# to one of these: asked for Zen, OpenBLAS takes Haswell's.
KERNELS = {"SkylakeX": "avx512f", "Haswell": "avx2", "Sandybridge": "avx", "Nehalem": "sse4_2"}
# What else would choose for OpenBLAS: without it, it chooses by the processor.
CHOOSING = ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")
# A name that OpenBLAS does not know is passed over without a word, so the libraries are asked what they took.
ASK = """
import ctypes
import numpy, scipy.linalg
square = numpy.eye(300) + 1 / 300
assert abs(square @ numpy.linalg.inv(square) - numpy.eye(300)).max() < 1e-9
assert abs(square @ scipy.linalg.inv(square) - numpy.eye(300)).max() < 1e-9
names = set()
for path in sorted({line.split()[-1] for line in open("/proc/self/maps") if "openblas" in line}):
    library = ctypes.CDLL(path)
    for start in ("scipy_", ""):
        for end in ("64_", ""):
            told = getattr(library, f"{start}openblas_get_corename{end}", None)
            if told is not None:
                told.restype = ctypes.c_char_p
                names.add(told().decode())
print(*sorted(names), sep="+")
"""


def main(tests: list[str]) -> int:
    """Run the tests under every kernel, also those after one that failed; print a line for each."""
    own, chosen = kernels()
    command = [sys.executable, "-m", "pytest", "-n", "2", "-q", *tests]
    codes = {}
    for kernel, env in chosen.items():
        print(f"── {kernel}", flush=True)
        codes[kernel] = subprocess.run(command, cwd=ROOT, env=env, check=False).returncode
    for kernel, code in codes.items():
        choice = " (the processor's own choice)" if kernel == own else ""
        print(f"{kernel}{choice}: {'FAILED' if code else 'passed'}")
    for kernel in (name for name in KERNELS if name not in codes):
        print(f"{kernel}: not run, since this processor does not have it")
    return 1 if any(codes.values()) else 0


def kernels() -> tuple[str, dict[str, dict[str, str]]]:
    """The processor's own choice, and every kernel that it has, that one first, with its environment."""
    plain = {name: value for name, value in os.environ.items() if name not in CHOOSING}
    own = answered(plain)
    if not own:
        sys.exit("numpy and scipy multiply matrices by no kernel of OpenBLAS here, or do it wrongly")
    found = {own: plain}
    flags = set(CPUINFO.read_text(encoding="utf-8").split()) if CPUINFO.exists() else set()
    for kernel, flag in KERNELS.items():
        env = {**plain, "OPENBLAS_CORETYPE": kernel}
        if flag in flags and kernel != own and answered(env) == kernel:
            found[kernel] = env
    return own, found


def answered(env: dict[str, str]) -> str:
    """The kernel that a process in this environment multiplies by; "" where it ends it or errs."""
    asked = subprocess.run([sys.executable, "-c", ASK], env=env, capture_output=True, text=True, check=False)
    return asked.stdout.strip() if asked.returncode == 0 else ""


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:] or list(TESTS)))
