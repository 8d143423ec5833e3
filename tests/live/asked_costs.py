"""Requests of a real server, and the processor time that each has cost its worker."""

from __future__ import annotations

import http.client
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import orjson
from dear_bodies import Dear
from processors import processor_seconds
from running import Running

from service.keys.kinds import SCOPES

SECONDS, BYTES = 0.25, 256 * 1024


class Cost(NamedTuple):
    """Processor seconds of a request, status and bytes of its answer, what became of it, and its name."""

    seconds: float
    status: int
    size: int
    taken: bool
    name: str


@dataclass
class Asker:
    """Asks one worker, on one connection, and reads what each request has cost it."""

    served: Running
    key: str
    connection: http.client.HTTPConnection
    worker: int

    def cost(self, method: str, path: str, dear: Dear | None, form: str = "") -> Cost:
        """Ask, and ask again what seems too dear: other threads and a collection of garbage come between."""
        found = self.asked(method, path, dear, form)
        again = [self.asked(method, path, dear, form) for _ in range(3 if found.seconds > SECONDS else 0)]
        return min([found, *again], key=lambda cost: cost.seconds)

    def asked(self, method: str, path: str, dear: Dear | None, form: str) -> Cost:
        """Ask once."""
        headers = {"Authorization": f"Bearer {self.key}"} | ({"Content-Type": form} if form else {})
        if dear is not None and dear.packed:
            headers["Content-Encoding"] = "gzip"
        sent = dear.sent if dear else None
        before = processor_seconds(self.worker)
        status, text = self._answer(method, path, sent, headers)
        seconds = processor_seconds(self.worker) - before
        return Cost(seconds, status, len(text), _taken(status, text), dear.name if dear else path)

    def _answer(
        self, method: str, path: str, sent: bytes | None, headers: dict[str, str]
    ) -> tuple[int, bytes]:
        try:
            self.connection.request(method, path, sent, headers)
            found = self.connection.getresponse()
            return found.status, found.read()
        except (ConnectionError, http.client.HTTPException):  # refused before the body was read to its end
            self.connection.close()
            return 413, b""


def _taken(status: int, text: bytes) -> bool:
    """Say whether something was valued or kept, whose cost is its own and not that of a refusal."""
    if status != 200 or not text.startswith((b"id,value,", b'{"line":', b'{"rows":')):
        return status < 400
    if text.startswith(b"id,value,"):
        return any(line.split(b",")[1:2] not in ([b""], []) for line in text.splitlines()[1:])
    return any("evidence" in row or row.get("accepted") for row in map(orjson.loads, text.splitlines()))


@contextmanager
def asking(folder: Path, store: Path) -> Iterator[Asker]:
    """Serve this store by one worker, without limits on how often it may be asked."""
    settings = {f"BOOKMATCH_LIMIT_{of}": "0" for of in ("SYSTEM", "WEBSITE", "VISITOR", "ADDRESS")}
    settings |= {"BOOKMATCH_WORKERS": "1", "BOOKMATCH_THREADS": "1"}
    with Running(folder, store, fake=False, settings=settings) as served:
        connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
        yield Asker(served, served.new_key(*SCOPES), connection, served.workers()[0])
        connection.close()
