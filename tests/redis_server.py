"""A Redis of the tests' own, in memory alone, which can be stopped, frozen and started again."""

from __future__ import annotations

import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest
import redis
from object_store import free_port


class RedisServer:
    """A redis-server on a free port of this machine."""

    def __init__(self, folder: Path) -> None:
        if shutil.which("redis-server") is None:
            pytest.skip("redis-server is not installed: make test does that, or names it")
        self._folder, self._port = folder, free_port()
        self.address = f"redis://127.0.0.1:{self._port}/0"
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> RedisServer:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        options = {
            "port": self._port,
            "bind": "127.0.0.1",
            "save": "",
            "appendonly": "no",
            "dir": self._folder,
        }
        words = [str(word) for name, value in options.items() for word in (f"--{name}", value)]
        self._process = subprocess.Popen(["redis-server", *words], stdout=subprocess.DEVNULL)
        for _ in range(200):
            try:
                with redis.Redis(port=self._port) as client:
                    client.ping()
                return
            except redis.ConnectionError:
                time.sleep(0.05)
        pytest.fail("redis-server did not start")

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        """Let it say nothing more, with its connections open (SIGSTOP)."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def keys(self) -> list[str]:
        """All that it holds, by name."""
        with redis.Redis(port=self._port) as client:
            return [str(key, "ascii") for key in client.scan_iter()]
