"""A Dask cluster on this machine: a scheduler, and workers in processes of their own."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[1]


@contextmanager
def cluster(folder: Path, workers: int = 2, **settings: str) -> Iterator[tuple[str, list[int]]]:
    """Run it; give its address and the ids of its workers. `settings`: of their environment."""
    environment = {
        **os.environ,
        "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}",
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "DASK_DISTRIBUTED__SCHEDULER__WORK_STEALING": "True",
        "DASK_TEMPORARY_DIRECTORY": str(folder),
        **settings,
    }
    with ExitStack() as stack:

        def run(*words: str) -> subprocess.Popen[bytes]:
            with (folder / f"{words[0]}.log").open("ab") as log:
                process = subprocess.Popen(
                    [sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]],
                    env=environment,
                    cwd=folder,
                    stdout=log,
                    stderr=log,
                )
            stack.callback(process.wait)
            stack.callback(process.kill)
            return process

        run("scheduler", "--host", "tcp://127.0.0.1:0", "--no-dashboard")
        address = _said(folder / "scheduler.log", r"Scheduler at:\s+(tcp://\S+)")
        started = [
            run("worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--host", "127.0.0.1")
            for _ in range(workers)
        ]
        for _ in range(600):
            if workers == 0 or (folder / "worker.log").read_text().count("Registered to:") >= workers:
                break
            time.sleep(0.1)
        yield address, [worker.pid for worker in started]


def _said(log: Path, form: str) -> str:
    for _ in range(600):
        found = re.search(form, log.read_text())
        if found:
            return found[1]
        time.sleep(0.1)
    raise AssertionError(f"the scheduler did not start:\n{log.read_text()[-2000:]}")
