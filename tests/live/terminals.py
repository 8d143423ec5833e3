"""Shells that go on from one block of a document to the next, as terminals do."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO

SECONDS = 300
_END = "=== end of the block ==="
Ready = Callable[[], bool]


def stop(shells: list[Shell], ready: Ready) -> None:
    """Stop the shells, and wait until no server of theirs answers any more."""
    for shell in shells:
        shell.stop()
    end = time.monotonic() + SECONDS
    while ready():
        assert time.monotonic() < end, "the server did not stop"
        time.sleep(0.1)


class Shell:
    """A shell that goes on from one block to the next, as a terminal does."""

    def __init__(self, folder: Path, env: dict[str, str]) -> None:
        self.folder = folder
        self._log = folder.parent / f"shell-{time.monotonic_ns()}"
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                ["bash", "--noprofile", "--norc"],
                cwd=folder,
                env=env,
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def run(self, commands: str) -> tuple[str, int]:
        """Run the commands to their end: what they printed, and the last one's exit code."""
        start = self._log.stat().st_size
        self._type(f'{commands}\nprintf "\\n%s %s %s\\n" "{_END}" "$?" "$PWD"\n')
        end = time.monotonic() + SECONDS
        while time.monotonic() < end and self._process.poll() is None:
            text = self._log.read_bytes()[start:].decode()
            said, found, rest = text.partition(f"\n{_END} ")
            if found and rest.endswith("\n"):
                code, _, where = rest.strip().partition(" ")
                self.folder = Path(where)
                return said, int(code)
            time.sleep(0.02)
        raise AssertionError(f"it did not end:\n{commands}{self._log.read_text()[-2000:]}")

    def serve(self, commands: str, ready: Ready) -> None:
        """Run commands of which the last one serves until it is stopped."""
        self._type(commands)
        end = time.monotonic() + SECONDS
        while not ready():
            text = self._log.read_text()[-2000:]
            assert time.monotonic() < end and self._process.poll() is None, f"{commands}{text}"
            time.sleep(0.1)

    def stop(self) -> None:
        """Stop it and what runs in it, and wait until it is gone."""
        if self._process.poll() is None:
            os.killpg(self._process.pid, signal.SIGTERM)
            input_ = self._process.stdin
            assert input_ is not None
            input_.close()
            self._process.wait(SECONDS)

    def _type(self, text: str) -> None:
        stream: IO[bytes] | None = self._process.stdin
        assert stream is not None
        stream.write(text.encode())
        stream.flush()
