"""The real service under gunicorn, in its own processes, for tests that kill it or watch it from outside."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import httpx
from migrated import migrated

from service.db.engine import open_engine
from service.keys.records import KeyRing

TESTS = Path(__file__).parent
SECRET = "a secret of the tests, long enough to be taken"


def resident(pid: int | str = "self") -> float:
    """Megabytes of memory that a process has resident."""
    return _megabytes(pid, "VmRSS")


def peak(pid: int) -> float:
    """The most megabytes that a process had resident since this was asked for last."""
    found = _megabytes(pid, "VmHWM")
    Path(f"/proc/{pid}/clear_refs").write_text("5")
    return found


def _megabytes(pid: int | str, name: str) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.partition(f"{name}:")[2].split()[0]) / 1024


@dataclass
class Running:
    """A service on a store and a database of its own. `fake`: its bundles hold the model of `fakes.py`."""

    folder: Path
    store: Path
    fake: bool = True
    settings: Mapping[str, str] = field(default_factory=dict)
    port: int = 0
    key: str = ""
    _process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Running:
        migrated(self.database, mode=0o600).dispose()  # the commands let no other user read it either
        self.key = self.new_key("valuations", "metrics")
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def database(self) -> str:
        """The address of its database."""
        return self._environment()["BOOKMATCH_DATABASE"]

    def new_key(self, *scopes: str) -> str:
        """Make a key of these scopes; without the time that its command takes to start."""
        engine = open_engine(self.database)
        try:
            return KeyRing(engine, self._environment()["BOOKMATCH_SECRET"]).create("tests", scopes)[1]
        finally:
            engine.dispose()

    @property
    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.key}"}

    @property
    def log(self) -> str:
        """The log that the service has written so far."""
        return (self.folder / "log").read_text(errors="replace")

    def call(self, *words: str) -> str:
        """Run one of the service's commands to its end; what it printed."""
        return self.done(*words).stdout

    def done(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run one of the service's commands to its end; what it printed, on both outputs."""
        done = subprocess.run(
            [*self._command(), *words], env=self._environment(), capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        return done

    def start(self) -> None:
        """Start it on a free port and wait until it is ready."""
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [*self._command(), "serve", "--bind", f"127.0.0.1:{self.port}"],
                env=self._environment(),
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self.wait_until_ready()

    def connecting(self) -> httpx.Client:
        """A client whose every request has a connection of its own, so that any worker may answer it.

        `httpx.get` does so too, but reads all certificates each time, which takes longer than an answer.
        """
        return httpx.Client(base_url=self.url, headers={"Connection": "close"}, timeout=30, verify=False)

    def workers(self) -> list[int]:
        """The process ids of its workers."""
        assert self._process is not None
        master = self._process.pid
        return [int(pid) for pid in Path(f"/proc/{master}/task/{master}/children").read_text().split()]

    def terminate(self) -> None:
        """Tell the server to stop, as whoever runs it does (SIGTERM)."""
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGTERM)

    def ended(self, seconds: float) -> int:
        """Wait for its end; its exit code."""
        assert self._process is not None
        code = self._process.wait(seconds)
        self._process = None
        return code

    def kill(self) -> None:
        """End the server and its workers at once, without a word (SIGKILL)."""
        if self._process is not None:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()
            self._process = None

    def wait_until_ready(self, seconds: float = 60) -> None:
        """Wait until it says that it can answer all requests."""
        end = time.monotonic() + seconds
        assert self._process is not None
        with self.connecting() as http:
            while self._process.poll() is None and time.monotonic() < end:
                with suppress(httpx.TransportError):
                    if http.get("/readyz").status_code == 200:
                        return
                time.sleep(0.05)
        self.kill()
        raise AssertionError(f"the service did not become ready:\n{self.log[-3000:]}")

    def _command(self) -> list[str]:
        return [sys.executable, "-m", "fake_service" if self.fake else "service"]

    def _environment(self) -> dict[str, str]:
        return {
            "PATH": os.environ["PATH"],
            "HOME": str(self.folder),
            "PYTHONPATH": f"{TESTS.parent}{os.pathsep}{TESTS}",
            "BOOKMATCH_STORE": str(self.store),
            "BOOKMATCH_DATABASE": f"sqlite:///{self.folder / 'service.db'}",
            "BOOKMATCH_FILES": str(self.folder / "files"),
            "BOOKMATCH_MAIL": f"file:{self.folder / 'mail'}",
            "BOOKMATCH_SECRET": SECRET,
            "BOOKMATCH_WORKERS": "2",
            "BOOKMATCH_LIMIT_SYSTEM": "1000000000",  # tests ask as fast as they can
            "BOOKMATCH_LIMIT_ADDRESS": "1000000000",
            **self.settings,
        }
