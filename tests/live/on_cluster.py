"""A stock list and a backtest on one machine and on a Dask cluster of two workers: bytes, time and memory.

`make cluster` values 1,000,000 rows and tests twelve quarters of the demo market; the suite does little ones.
"""

from __future__ import annotations

import csv
import hashlib
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from itertools import cycle, islice
from pathlib import Path

from dask_cluster import cluster
from running import TESTS, peak

DAY = "2026-06-30"


@dataclass(frozen=True)
class Run:
    """The bytes that a command printed, its seconds, and the most megabytes of its process and of workers."""

    digest: str
    size: int
    seconds: float
    own: float
    workers: tuple[float, ...] = ()


@dataclass(frozen=True)
class Pair:
    """The same command on one machine and on the cluster."""

    name: str
    alone: Run
    spread: Run

    @property
    def same(self) -> bool:
        return self.alone.size > 0 and self.alone.digest == self.spread.digest

    def __str__(self) -> str:
        workers = " and ".join(f"{one:.0f}" for one in self.spread.workers)
        return (
            f"{self.name}: {'the same bytes' if self.same else 'OTHER BYTES'} ({self.alone.size:,})\n"
            f"  one machine   {self.alone.seconds:7.1f} s  {self.alone.own:5.0f} MB\n"
            f"  two workers   {self.spread.seconds:7.1f} s  {self.spread.own:5.0f} MB, workers {workers} MB"
        )


def command(*words: str | Path) -> Run:
    """Run one command of Bookmatch to its end."""
    environment = {**os.environ, "PYTHONPATH": f"{TESTS.parent}{os.pathsep}{TESTS}"}
    began = time.monotonic()
    with tempfile.TemporaryFile() as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "bookmatch", *map(str, words)], env=environment, stdout=out
        )
        # wait4 gives the peak of this one process: the one of all children would be that of the largest.
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        assert process.returncode == 0, process.returncode
        seconds, size = time.monotonic() - began, out.seek(0, os.SEEK_END)
        out.seek(0)
        digest = hashlib.file_digest(out, "sha256").hexdigest()
        return Run(digest, size, seconds, used.ru_maxrss / 1024)


def both(name: str, address: str, workers: list[int], *words: str | Path) -> Pair:
    """Run a command here and on the cluster."""
    alone = command(*words)
    for pid in workers:
        peak(pid)  # begins anew
    spread = command(*words, "--cluster", address)
    return Pair(name, alone, replace(spread, workers=tuple(map(peak, workers))))


def write_list(some: Path, rows: int, to: Path) -> None:
    """Write a stock list of so many rows, which are those of a shorter one again and again."""
    with some.open(newline="") as stream:
        names, *known = csv.reader(stream)
    with to.open("w", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(names)
        at = names.index("id")
        for number, row in enumerate(islice(cycle(known), rows)):
            writer.writerow([*row[:at], f"R-{number}", *row[at + 1 :]])


def compared(market: Path, store: Path, rows: int, years: float, folder: Path) -> list[Pair]:
    """Compare a list of so many rows and a backtest of so many years on this market."""
    write_list(market / "instruments.csv", rows, folder / "list.csv")
    evidence = market / "evidence.csv", "--catalogue", market / "catalogue.toml"
    with cluster(folder) as (address, workers):
        return [
            both(f"a list of {rows:,}", address, workers, "value", folder / "list.csv", "--store", store,
                 "--date", DAY),
            both(f"a backtest of {years:g} years", address, workers, "backtest", *evidence, "--years",
                 str(years), "--json"),
        ]  # fmt: skip


def main() -> None:
    """Compare both at full size, print figures, and leave with 1 if bytes differ."""
    market, store, rows = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
    with tempfile.TemporaryDirectory() as folder:
        found = compared(market, store, rows, 3, Path(folder))
    print("\n".join(map(str, found)))
    sys.exit(0 if all(pair.same for pair in found) else 1)


if __name__ == "__main__":
    main()
