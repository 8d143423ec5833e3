"""Processes that kill themselves at a step, and their beginning and end as a test sees them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any

from service.settings import Settings

HERE = Path(__file__).parent
Step = Callable[..., Any]

# ── in the process ───────────────────────────────────────────────────────────


def deadly(step: Step, when: str, time: int = 1) -> Step:
    """Return the step as one that kills its process before or after it, the first time or a later one."""
    left = [None] * time

    def dying(*args: Any, **more: Any) -> Any:
        left.pop()
        if when == "after" or left:
            found = step(*args, **more)
        if not left:
            os.kill(os.getpid(), signal.SIGKILL)
        return found

    return dying


def settings_of(asked: dict[str, Any]) -> Settings:
    """Read the settings that the test sent."""
    return Settings(**{**asked["settings"], "store": Path(asked["settings"]["store"])})


def run_each(act: Callable[[dict[str, Any]], None]) -> None:
    """Begin a process for each line of standard input, and say how it ended."""
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                act(json.loads(line))
            finally:
                os._exit(0)
        print("ended", os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)


# ── in the test ──────────────────────────────────────────────────────────────


class Children:
    """The process that begins the others, each told by a line, and what they say."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def ask(self, settings: Settings, **more: Any) -> None:
        """Let a process begin with these settings."""
        asked = {"settings": {**asdict(settings), "store": str(settings.store)}, **more}
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()

    def ready(self) -> int:
        """Wait until the process is about to act; its id."""
        return int(self._said("ready"))

    def ended(self) -> int:
        """Wait for its end; its exit code."""
        return int(self._said("ended"))

    def _said(self, what: str) -> str:
        assert self._process.stdout is not None
        word, value = self._process.stdout.readline().split()
        assert word == what
        return str(value)


@contextmanager
def children_of(script: str) -> Iterator[Children]:
    """Run a script of this folder that begins processes. It is no fork of the test, which has threads."""
    pipe: dict[str, Any] = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    paths = (HERE.parents[1], HERE.parent, HERE)
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, paths))}
    with subprocess.Popen([sys.executable, str(HERE / script)], env=env, **pipe) as one:
        yield Children(one)
        assert one.stdin is not None
        one.stdin.close()
