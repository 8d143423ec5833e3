"""Requests per second over HTTP, as shares of what a bare Flask application reaches in the same run."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx
from load import Round, post, press
from running import Running, resident

CONNECTIONS = 16
BENCH = Path(__file__).parent
# Path → the least share of bare Flask's rate that it shall reach.
WANTED: Mapping[str, float] = {"attributions": 0.22, "intervals": 0.30, "valuations": 0.16}


@dataclass(frozen=True)
class Ratio:
    """One path's rounds beside those of bare Flask, which took turns with them. `size`: of its answer."""

    path: str
    size: int
    ours: Sequence[Round]
    bare: Sequence[Round]
    resident: float  # megabytes of the larger worker afterwards

    @property
    def shares(self) -> list[float]:
        """Ours by bare Flask's, round by round."""
        return [one.rate / other.rate for one, other in zip(self.ours, self.bare, strict=True)]


def ratios(
    store: Path, bodies: Sequence[bytes], rounds: int, seconds: float, database: str | None = None
) -> Iterator[Ratio]:
    """The ratio of each path, on a database of its own; of the one that keeps records if one is given."""
    settings = {"BOOKMATCH_DATABASE": database} if database else {}
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory()))
        (folder / "answers").mkdir()
        service = stack.enter_context(Running(folder, store, fake=False, settings=settings))
        paths = ["valuations"] if database else list(WANTED)
        for path in paths:
            (folder / "answers" / path).write_bytes(_answer(service, path, bodies))
        bare = stack.enter_context(_bare(folder))
        for path in paths:
            yield _ratio(service, bare, folder, path, bodies, rounds, seconds)


def _answer(service: Running, path: str, bodies: Sequence[bytes]) -> bytes:
    """The answer of middle length to some of the bodies."""
    headers = {**service.headers, "Content-Type": "application/json"}
    url = f"{service.url}/v1/{path}"
    found = [httpx.post(url, content=body, headers=headers) for body in bodies[:200]]
    assert all(answer.status_code < 300 for answer in found), found[0].text
    return sorted((answer.content for answer in found), key=len)[len(found) // 2]


def _ratio(
    service: Running,
    bare: tuple[str, int],
    folder: Path,
    path: str,
    bodies: Sequence[bytes],
    rounds: int,
    seconds: float,
) -> Ratio:
    requests = [post(f"/v1/{path}", body, service.key) for body in bodies]
    own = ("127.0.0.1", service.port)
    ours, theirs = [], []
    for address in (own, bare):
        press(address, requests, CONNECTIONS, seconds)  # to be warm
    for number in range(rounds):
        # In turn, and each as often first: what else the machine does shall meet both alike.
        for address in (own, bare) if number % 2 else (bare, own):
            found = press(address, requests, CONNECTIONS, seconds)
            assert not found.refused, f"{found.refused} requests were refused"
            (ours if address == own else theirs).append(found)
    size = (folder / "answers" / path).stat().st_size
    return Ratio(path, size, ours, theirs, max(resident(pid) for pid in service.workers()))


@contextmanager
def _bare(folder: Path) -> Iterator[tuple[str, int]]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = ("127.0.0.1", int(probe.getsockname()[1]))
    command = [sys.executable, str(BENCH / "bare.py"), f"127.0.0.1:{address[1]}", str(folder / "answers")]
    process = subprocess.Popen(
        command,
        env={**os.environ, "PYTHONPATH": str(BENCH.parents[1])},
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        _wait(address)
        yield address
    finally:
        process.terminate()
        process.wait()


def _wait(address: tuple[str, int], seconds: float = 20) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            socket.create_connection(address).close()
        except OSError:
            time.sleep(0.05)
        else:
            time.sleep(1)  # for the second worker
            return
    raise AssertionError("bare Flask did not start")
