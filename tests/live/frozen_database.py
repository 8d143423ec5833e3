"""A PostgreSQL that is stopped in mid-work by SIGSTOP: it takes connections and questions, and says nothing.

`make frozen` stops it for a minute and prints the table; the suite stops it for a few seconds
(`test_frozen_database.py`).
"""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import threading
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from ground import Ground, fake_ground
from postgres import new_database_of, server_in
from running import Running

# What needs no record, and what does: path → the most seconds in which it may be answered or refused.
UNKEPT = {"/v1/intervals": 1.0, "/v1/attributions": 1.0, "/healthz": 1.0}
KEPT = {"/v1/valuations": 3.0, "/v1/valuations/ID": 3.0, "/readyz": 1.0}
LOOK = 2.0  # seconds for which /readyz may say what was so before
BACK = 5.0  # seconds after which all is well again


@dataclass
class Report:
    """The findings of one run: the seconds of each answer by path, and what was answered wrongly."""

    frozen: float
    seconds: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    wrong: list[str] = field(default_factory=list)
    well: float = 0.0

    def faults(self) -> list[str]:
        """Return the faults that were found, in words."""
        late = [
            f"{path} took {max(self.seconds[path], default=1e9):.2f} s"
            for path, most in {**UNKEPT, **KEPT}.items()
            if max(self.seconds[path], default=1e9) > most
        ]
        return late + self.wrong + ([f"well after {self.well:.1f} s"] if self.well > BACK else [])

    def rows(self) -> list[tuple[str, str]]:
        """The table: what, and how much of it."""
        return [
            ("seconds for which PostgreSQL was stopped", f"{self.frozen:.0f}"),
            *(
                (f"{path}, longest", f"{max(found):.2f} s of {len(found)}")
                for path, found in sorted(self.seconds.items())
            ),
            ("wrong answers meanwhile", str(len(self.wrong))),
            ("seconds until all was well again", f"{self.well:.1f}"),
        ]


class Caller(threading.Thread):
    """Asks for one path again and again while the database is stopped."""

    def __init__(self, service: Running, ground: Ground, path: str, made: str, report: Report) -> None:
        super().__init__()
        self._ground, self._path, self._report = ground, path, report
        self._asked = path.replace("ID", made)
        # A new connection each time, so that every worker is asked.
        self._client = httpx.Client(
            base_url=service.url,
            headers=service.headers,
            timeout=30,
            limits=httpx.Limits(max_keepalive_connections=0),
        )
        self.stopped = threading.Event()

    def run(self) -> None:
        wanted, first = 200 if self._path in UNKEPT else 503, time.monotonic()
        while not self.stopped.is_set():
            began = time.monotonic()
            try:
                found = self.ask()
            except httpx.TransportError as error:
                self._report.wrong.append(f"{self._path}: {error!r}")
                continue
            took = time.monotonic() - began
            self._report.seconds[self._path].append(took)
            earlier = self._path == "/readyz" and began < first + LOOK
            right = found.status_code == wanted and (wanted == 200 or "Retry-After" in found.headers)
            if not right and not earlier:
                self._report.wrong.append(f"{self._path}: {found.status_code} {found.text[:200]}")
            time.sleep(0.1)

    def ask(self) -> httpx.Response:
        """Ask once."""
        if self._path in ("/v1/valuations", "/v1/intervals", "/v1/attributions"):
            return self._client.post(self._asked, json=self._ground.ask(2))
        return self._client.get(self._asked)


def processes_of(server: Any) -> list[int]:
    """The process ids of a PostgreSQL server: the first process, and its children."""
    first = server.get_pid()
    children = Path(f"/proc/{first}/task/{first}/children").read_text().split()
    return [first, *map(int, children)]


def freeze(folder: Path, ground: Ground, server: Any, seconds: float) -> Report:
    """Stop the server for so many seconds while each path is asked for again and again."""
    report = Report(seconds)
    settings = {"BOOKMATCH_DATABASE": new_database_of(server)}
    with Running(folder, ground.store, ground.fake, settings) as service:
        made = ""
        with service.connecting() as http:
            for _ in range(24):  # every worker has seen the key by now
                made = http.post("/v1/valuations", json=ground.ask(2), headers=service.headers).json()["id"]
        callers = [Caller(service, ground, path, made, report) for path in (*UNKEPT, *KEPT) for _ in range(2)]
        stopped = processes_of(server)
        try:
            for pid in stopped:
                os.kill(pid, signal.SIGSTOP)
            for caller in callers:
                caller.start()
            time.sleep(seconds)
            for caller in callers:
                caller.stopped.set()
            for caller in callers:
                caller.join()
        finally:
            for pid in stopped:
                os.kill(pid, signal.SIGCONT)
        report.well = _well_after(service, callers)
    return report


def _well_after(service: Running, callers: list[Caller]) -> float:
    """Seconds until every path was answered well ten times in a row."""
    began = last = time.monotonic()
    row = 0
    while row < 10 and last < began + 60:
        if all(caller.ask().is_success for caller in callers):
            row += 1
        else:
            row, last = 0, time.monotonic()
    return last - began


def main() -> int:
    """A minute of it; leaves with 1 if anything was not as it should be."""
    with tempfile.TemporaryDirectory() as folder:
        server = server_in(Path(folder) / "postgres")
        try:
            report = freeze(Path(folder), fake_ground(Path(folder)), server, 60)
        finally:
            server.cleanup()
    for name, said in report.rows():
        print(f"{name:<60} {said}")
    print(*report.faults()[:20], sep="\n")
    return 1 if report.faults() else 0


if __name__ == "__main__":
    sys.exit(main())
