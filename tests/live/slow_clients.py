"""Slow clients: hundreds of connections that are silent, stalled or unread, beside others that want answers.

`make slow` runs it for a minute on the demo market, with the settings that `serve` has by itself, and prints
the table; the suite runs a few seconds of it, on a fake price model (`test_slow_clients.py`).
"""

from __future__ import annotations

import http.client
import json
import select
import socket
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from running import Running

from models.bundles.registry import Registry
from service.settings import SETTINGS

# How many of each kind there are at once.
CROWD: Mapping[str, int] = {"silent": 200, "trickling": 200, "stalled": 50, "unread": 20, "held": 20}
ASKERS, ROWS = 8, 20_000
LARGE = 200_000  # bytes of a body that no worker collects before a thread takes it
SLACK = 3.0  # seconds in which a loaded machine notices what is due
DEFAULT = next(s.default for s in SETTINGS if s.name == "client_seconds")


@dataclass
class Report:
    """The findings of one run. `lives`: seconds that the server kept each connection of a kind, at most."""

    client_seconds: float
    usual: float
    beside: float
    health: list[float]
    lives: dict[str, list[float]]
    lost: int
    failures: list[str]
    crowd: Mapping[str, int]

    def faults(self) -> list[str]:
        """Return the faults that were found, in words."""
        most = dict.fromkeys(("silent", "trickling", "stalled"), self.client_seconds + SLACK)
        # An answer is taken until the system's memory for it is full.
        most["unread"] = 2 * self.client_seconds + SLACK
        late = [
            f"{kind} was kept" for kind, limit in most.items() if max(self.lives[kind], default=1e9) > limit
        ]
        found = {
            "a probe of /healthz took too long": self.health_99 >= 1,
            "too few valuations": self.share < 0.5,
            "a worker was lost": self.lost > 0,
        }
        return [text for text, wrong in found.items() if wrong] + late + self.failures

    @property
    def share(self) -> float:
        """The rate of valuations beside the crowd, as a share of the usual one."""
        return self.beside / self.usual

    @property
    def health_99(self) -> float:
        """Seconds within which 99 of a hundred probes of /healthz were answered."""
        return sorted(self.health)[int(0.99 * (len(self.health) - 1))]

    def rows(self) -> list[tuple[str, str]]:
        """The table: what, and how much of it."""
        kept = {
            kind: f"{max(self.lives[kind], default=0):.1f} s, {len(self.lives[kind])} closed"
            for kind in self.crowd
        }
        return [
            ("slow clients", ", ".join(f"{count} {kind}" for kind, count in self.crowd.items())),
            ("/healthz, 99th percentile", f"{1000 * self.health_99:.0f} ms of {len(self.health)} probes"),
            ("/healthz, longest", f"{1000 * max(self.health):.0f} ms"),
            ("valuations without them, beside them", f"{self.usual:.0f}/s, {self.beside:.0f}/s"),
            ("share of the usual rate", f"{self.share:.2f}"),
            ("seconds that a client has", f"{self.client_seconds:.0f}"),
            *((f"{kind} connection kept, at most", text) for kind, text in kept.items()),
            ("workers lost", str(self.lost)),
            ("wrong or missing answers", str(len(self.failures))),
        ]


class Crowd(threading.Thread):
    """Keeps so many connections of each kind open: each that the server closes is opened again."""

    def __init__(
        self, service: Running, kinds: Mapping[str, int], asked: Mapping[str, Any], every: float
    ) -> None:
        super().__init__()
        self._address, self._kinds, self._every = ("127.0.0.1", service.port), kinds, every
        place = f"{asked['instrument']['maker']},{asked['instrument']['model']}"
        rows = "id,maker,model,year\n" + "".join(f"R{n},{place},{1950 + n % 40}\n" for n in range(ROWS))
        key = f"Host: x\r\nAuthorization: Bearer {service.key}\r\n"
        self._sent = {
            "silent": b"",
            "trickling": b"GET /healthz HTTP/1.1\r\nHost: x\r\n",
            "stalled": f"POST /v1/valuations HTTP/1.1\r\n{key}Content-Type: application/json\r\n"
            f"Content-Length: {LARGE}\r\n\r\n{' ' * (LARGE // 2)}".encode(),
            "unread": f"POST /v1/stocklists?date=2026-01-02 HTTP/1.1\r\n{key}Content-Type: text/csv\r\n"
            f"Content-Length: {len(rows.encode())}\r\n\r\n{rows}".encode(),
            # Answered, told that the connection ends, and never closed by this side.
            "held": b"GET /healthz HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n",
        }
        self._epoll = select.epoll()
        self._open: dict[int, tuple[socket.socket, str, float]] = {}
        self._held: list[socket.socket] = []
        self.lives: dict[str, list[float]] = defaultdict(list)
        self.stopped = threading.Event()

    def run(self) -> None:
        for kind, count in self._kinds.items():
            for _ in range(count):
                self._begin(kind)
        due = time.monotonic() + self._every
        while not self.stopped.is_set():
            for number, _ in self._epoll.poll(0.1):
                self._ended(number)
            if time.monotonic() >= due:
                due += self._every
                self._trickle()
        for sock in (*self._held, *(sock for sock, _, _ in self._open.values())):
            sock.close()
        self._epoll.close()

    def _begin(self, kind: str) -> None:
        sock = socket.socket()
        if kind == "unread":
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sock.settimeout(5)
        began = time.monotonic()
        try:
            sock.connect(self._address)
            sock.sendall(self._sent[kind])
        except OSError:  # the server may have hung up, or be too busy: tried again at the next look
            pass
        # What came is never read, but for its end: a reset, or the server's half of the connection closed.
        self._epoll.register(sock, select.EPOLLERR | select.EPOLLHUP | select.EPOLLRDHUP)
        self._open[sock.fileno()] = (sock, kind, began)

    def _ended(self, number: int) -> None:
        sock, kind, began = self._open.pop(number)
        self.lives[kind].append(time.monotonic() - began)
        self._epoll.unregister(sock)
        if kind == "held":
            self._held.append(sock)
        else:
            sock.close()
            self._begin(kind)

    def _trickle(self) -> None:
        for sock, kind, _ in list(self._open.values()):
            if kind == "trickling":
                with suppress(OSError):
                    sock.sendall(b"X-Slow: 1\r\n")
        held, self._held = self._held, []
        for sock in held:
            sock.close()
            self._begin("held")


class Asker(threading.Thread):
    """Asks for one valuation after the other on a connection of its own, and checks each answer."""

    def __init__(self, service: Running, body: bytes, failures: list[str]) -> None:
        super().__init__()
        self._service, self._body, self._failures = service, body, failures
        self.count = 0
        self.stopped = threading.Event()

    def run(self) -> None:
        headers = {**self._service.headers, "Content-Type": "application/json"}
        connection = http.client.HTTPConnection("127.0.0.1", self._service.port, timeout=30)
        value = None
        while not self.stopped.is_set():
            try:
                connection.request("POST", "/v1/valuations", self._body, headers)
                found = connection.getresponse()
                told = json.loads(found.read())
            except (OSError, http.client.HTTPException) as error:
                self._failures.append(f"valuation: {error!r}")
                connection.close()
                continue
            value = value or told.get("value")
            if found.status != 201 or told["value"] != value:
                self._failures.append(f"valuation: {found.status} {told}")
            self.count += 1
        connection.close()


class Probe(threading.Thread):
    """Asks for /healthz on new connections, twenty times a second; the seconds that each answer took."""

    def __init__(self, service: Running, failures: list[str]) -> None:
        super().__init__()
        self._service, self._failures = service, failures
        self.seconds: list[float] = []
        self.stopped = threading.Event()

    def run(self) -> None:
        while not self.stopped.wait(0.05):
            began = time.monotonic()
            connection = http.client.HTTPConnection("127.0.0.1", self._service.port, timeout=30)
            try:
                connection.request("GET", "/healthz")
                if connection.getresponse().read() != b'{"status":"alive"}':
                    self._failures.append("/healthz: another answer")
            except (OSError, http.client.HTTPException) as error:
                self._failures.append(f"/healthz: {error!r}")
            connection.close()
            self.seconds.append(time.monotonic() - began)


def meet(
    folder: Path,
    store: Path,
    asked: Mapping[str, Any],
    *,
    fake: bool,
    seconds: float,
    client_seconds: float,
    kinds: Mapping[str, int] = CROWD,
) -> Report:
    """Let the crowd meet a service for so many seconds, after a time without it that is half as long."""
    settings = {"BOOKMATCH_CLIENT_SECONDS": str(client_seconds)}
    body, failures = json.dumps(asked).encode(), list[str]()
    with Running(folder, store, fake, settings) as service:
        workers = set(service.workers())
        _rate(service, body, failures, 1)  # to be warm
        usual = _rate(service, body, failures, seconds / 2)
        probe, crowd = Probe(service, failures), Crowd(service, kinds, asked, client_seconds / 8)
        crowd.start()
        probe.start()
        beside = _rate(service, body, failures, seconds)
        for thread in (probe, crowd):
            thread.stopped.set()
            thread.join()
        lost = len(workers - set(service.workers()))
    return Report(client_seconds, usual, beside, probe.seconds, crowd.lives, lost, failures, kinds)


def _rate(service: Running, body: bytes, failures: list[str], seconds: float) -> float:
    askers = [Asker(service, body, failures) for _ in range(ASKERS)]
    began = time.monotonic()
    for asker in askers:
        asker.start()
    time.sleep(seconds)
    took, count = time.monotonic() - began, sum(asker.count for asker in askers)
    for asker in askers:
        asker.stopped.set()
    for asker in askers:
        asker.join()
    return count / took


def main(store: Path) -> int:
    """A minute of it; leaves with 1 if anything was not as it should be."""
    first = Registry(store).load().valuer.catalogue.models[0]
    asked = {"instrument": {"maker": first.maker, "model": first.name}, "date": "2026-01-02"}
    with tempfile.TemporaryDirectory() as folder:
        report = meet(Path(folder), store, asked, fake=False, seconds=60, client_seconds=DEFAULT)
    for name, said in report.rows():
        print(f"{name:<60} {said}")
    print(*report.failures[:20], sep="\n")
    return 1 if report.faults() else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
