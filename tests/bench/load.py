"""A load generator that costs little itself: one process, sockets kept alive, requests written beforehand."""

from __future__ import annotations

import selectors
import socket
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import count

_END = b"\r\n\r\n"


@dataclass
class Round:
    """What one round of requests saw: how many were answered in how many seconds, and the latencies."""

    seconds: float
    latencies: list[float] = field(repr=False)
    refused: int = 0

    @property
    def rate(self) -> float:
        """Answers per second."""
        return len(self.latencies) / self.seconds


class _Connection:
    """One connection with one request under way."""

    def __init__(self, address: tuple[str, int]) -> None:
        self.socket = socket.create_connection(address)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.sent, self.got, self.wanted = 0.0, bytearray(), 0

    def send(self, request: bytes) -> None:
        self.got, self.wanted, self.sent = bytearray(), 0, time.perf_counter()
        self.socket.sendall(request)

    def whole(self) -> bool:
        """Read what came; whether the answer is whole."""
        part = self.socket.recv(262_144)
        if not part:
            raise ConnectionError("the server hung up")
        self.got += part
        if not self.wanted and (end := self.got.find(_END)) >= 0:
            head = self.got[:end].lower()
            length = head.partition(b"content-length:")[2].partition(b"\r\n")[0]
            self.wanted = end + len(_END) + int(length)
        return 0 < self.wanted <= len(self.got)


def press(address: tuple[str, int], requests: Sequence[bytes], connections: int, seconds: float) -> Round:
    """Keep one request under way on each connection for so long, the requests in turn."""
    selector, turn = selectors.DefaultSelector(), count()
    for _ in range(connections):
        connection = _Connection(address)
        selector.register(connection.socket, selectors.EVENT_READ, connection)
        connection.send(requests[next(turn) % len(requests)])
    latencies: list[float] = []
    refused, began = 0, time.perf_counter()
    end = began + seconds
    while (now := time.perf_counter()) < end:
        for key, _ in selector.select(timeout=1.0):
            connection = key.data
            if connection.whole():
                latencies.append(time.perf_counter() - connection.sent)
                refused += connection.got[9:10] != b"2"
                connection.send(requests[next(turn) % len(requests)])
    for key in list(selector.get_map().values()):
        key.fileobj.close()  # type: ignore[union-attr]
    selector.close()
    return Round(now - began, latencies, refused)


def post(path: str, body: bytes, key: str = "") -> bytes:
    """The bytes of one request."""
    head = [
        f"POST {path} HTTP/1.1",
        "Host: bench",
        "Content-Type: application/json",
        "Accept: application/json",
    ]
    head += [f"Authorization: Bearer {key}"] if key else []
    return "\r\n".join([*head, f"Content-Length: {len(body)}", "", ""]).encode() + body
