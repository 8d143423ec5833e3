"""Endpoints to send webhooks to, a receiver that misbehaves when told to, and a clock that tests move."""

from __future__ import annotations

import json
import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from asking import SECRET
from mail_ground import Clock
from sqlalchemy import Engine, delete, select, update

from service.db.engine import reading, writing
from service.db.item_tables import WEBHOOK_DELIVERIES, WEBHOOK_EVENTS, WEBHOOK_SECRETS, WEBHOOKS
from service.keys.records import KeyRing
from service.settings import Settings
from service.webhooks import endpoints
from service.webhooks.events import CHANGES, emit
from service.webhooks.sender import Sender
from service.webhooks.signing import secret_of

HOST = "127.0.0.1"
TABLES = (WEBHOOK_DELIVERIES, WEBHOOK_EVENTS, WEBHOOK_SECRETS, WEBHOOKS)
# An answer: a status and headers; or what a receiver does instead, with the request's handler.
Behaviour = tuple[int, dict[str, str]] | Callable[[Any], None]


@dataclass
class Message:
    """A message as a receiver took it."""

    path: str
    headers: dict[str, str]
    body: str

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]

    @property
    def data(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.body)["data"]
        return found


@dataclass
class Receiver:
    """A receiver that keeps what it is sent. `behave`: its answer to a message; default: 204."""

    messages: list[Message] = field(default_factory=list)
    behave: Callable[[Message], Behaviour] = lambda _: (204, {})
    names: list[str] = field(default_factory=list)  # as TLS named it
    port: int = 0
    poured: int = 0
    ended: threading.Event = field(default_factory=threading.Event)  # so that what hangs need not for ever
    busy: int = 0
    busiest: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def url(self, host: str = HOST, path: str = "/hooks") -> str:
        return f"http://{host}:{self.port}{path}"

    def positions(self, stock_number: str | None = None) -> list[int]:
        """The positions of the changes that it was sent, of one item or of all."""
        data = [one.data for one in self.messages if "position" in one.data]
        return [one["position"] for one in data if stock_number in (None, one["stock_number"])]

    def take(self, handler: Any) -> None:
        length = int(handler.headers["Content-Length"])
        body = handler.rfile.read(length).decode()
        if len(body.encode()) < length:  # its sender was killed, and no framework would hand it on
            handler.close_connection = True
            return
        message = Message(handler.path, {k.lower(): v for k, v in handler.headers.items()}, body)
        with self.lock:
            self.messages.append(message)
            self.busy += 1
            self.busiest = max(self.busy, self.busiest)
        try:
            behaviour = self.behave(message)
            if callable(behaviour):
                with suppress(OSError):
                    behaviour(handler)
            else:
                handler.send_response(behaviour[0])
                for name, value in behaviour[1].items():
                    handler.send_header(name, value)
                handler.send_header("Content-Length", "0")
                handler.end_headers()
        finally:
            with self.lock:
                self.busy -= 1

    def hang(self, handler: Any) -> None:
        """Answer nothing until the test ends."""
        self.ended.wait(30)
        handler.close_connection = True

    def drip(self, handler: Any) -> None:
        """Send an answer whose head never ends, a byte now and then."""
        handler.wfile.write(b"HTTP/1.1 200 OK\r\nX-Long: ")
        while not self.ended.wait(0.05):
            handler.wfile.write(b"x")
        handler.close_connection = True

    def pour(self, handler: Any) -> None:
        """Answer 200 with a body that never ends."""
        handler.wfile.write(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n")
        while not self.ended.is_set():
            handler.wfile.write(b"1000\r\n" + b"x" * 4096 + b"\r\n")
            self.poured += 4096


def answering(status: int, **headers: str) -> Callable[[Message], Behaviour]:
    """A receiver's behaviour: this answer to all."""
    return lambda _: (status, {name.replace("_", "-"): value for name, value in headers.items()})


@contextmanager
def receiving(*, port: int = 0, tls: ssl.SSLContext | None = None) -> Iterator[Receiver]:
    """A receiver that runs in threads of this process."""
    taker = Receiver()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:  # the library finds it by this name
            taker.take(self)

        def log_message(self, *_: Any) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads, request_queue_size = (
            True,
            64,
        )  # with the usual 5, connections at once wait for seconds

    server = Server((HOST, port), Handler)
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    taker.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield taker
    finally:
        taker.ended.set()
        server.shutdown()
        server.server_close()
        thread.join()


@dataclass
class Ground:
    """A database with endpoints, a clock, and a sender that may reach this machine."""

    engine: Engine
    clock: Clock = field(default_factory=Clock)
    networks: str = "127.0.0.0/8"
    position: int = 0
    ends: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        without_webhooks(self.engine)
        self.key_id = KeyRing(self.engine, SECRET).create("the shop", ["inventory"])[0]

    def settings(self) -> Settings:
        address = self.engine.url.render_as_string(hide_password=False)
        own = {"store": Path("store"), "secret": SECRET, "database": address}
        return Settings(**own, webhook_networks=self.networks)

    def endpoint(self, url: str, *, active: bool = True, changes: Sequence[str] = tuple(CHANGES)) -> str:
        """Make an endpoint, as if it had passed a test; its id."""
        with writing(self.engine) as connection:
            webhook_id = endpoints.add(connection, self.key_id, url, None, changes)
            if active:
                known = {"state": "active", "tested": self.clock()}
                connection.execute(update(WEBHOOKS).where(WEBHOOKS.c.id == webhook_id).values(known))
        return webhook_id

    def change(self, *stock_numbers: str, change: str = "valued") -> list[int]:
        """Let items change in one transaction; the positions of the changes."""
        first = self.position + 1
        self.position += len(stock_numbers)
        positions = list(range(first, self.position + 1))
        with writing(self.engine) as connection:
            emit(connection, [(one, change, at) for one, at in zip(stock_numbers, positions, strict=True)])
        return positions

    def sender(self, **more: Any) -> Sender:
        options = {"clock": self.clock, "seconds": 5.0, "counted": self.ends.append, **more}
        return Sender(self.engine, self.settings(), **options)

    def send(self, **more: Any) -> dict[str, int]:
        """Send what is due at the clock's time; how the attempts ended."""
        return dict(self.sender(**more).send_due())

    def webhook(self, webhook_id: str) -> Any:
        with reading(self.engine) as connection:
            return connection.execute(select(WEBHOOKS).where(WEBHOOKS.c.id == webhook_id)).one()

    def deliveries(self, webhook_id: str | None = None) -> list[Any]:
        """The rows of all deliveries, or of those to one endpoint, in their order."""
        query = select(WEBHOOK_DELIVERIES).order_by(WEBHOOK_DELIVERIES.c.id)
        if webhook_id is not None:
            query = query.where(WEBHOOK_DELIVERIES.c.webhook_id == webhook_id)
        with reading(self.engine) as connection:
            return list(connection.execute(query).all())

    def states(self, webhook_id: str | None = None) -> list[str]:
        return [row.state for row in self.deliveries(webhook_id)]

    def secrets(self, webhook_id: str) -> list[str]:
        """The secrets of an endpoint, oldest first."""
        seeds = WEBHOOK_SECRETS.c
        query = select(seeds.seed).where(seeds.webhook_id == webhook_id).order_by(seeds.id)
        with reading(self.engine) as connection:
            return [secret_of(SECRET, seed) for seed in connection.execute(query).scalars()]


def without_webhooks(engine: Engine) -> None:
    with writing(engine) as connection:
        for table in TABLES:
            connection.execute(delete(table))


def two_deliveries(engine: Engine, key_id: str) -> tuple[str, str]:
    """Keep an active endpoint with two deliveries that wait; its id and that of the first event."""
    with writing(engine) as connection:
        webhook_id = endpoints.add(connection, key_id, "https://shop.example.org/hooks", None, ["valued"])
        known = {"state": "active", "tested": WEBHOOKS.c.created}
        connection.execute(update(WEBHOOKS).where(WEBHOOKS.c.id == webhook_id).values(known))
        emit(connection, [("A-1", "valued", 1), ("A-2", "valued", 2)])
        rows = WEBHOOK_DELIVERIES.c
        query = select(rows.event_id).where(rows.webhook_id == webhook_id).order_by(rows.id).limit(1)
        return webhook_id, str(connection.execute(query).scalar_one())


def nobody_listens() -> int:
    """A port of this machine at which nothing answers."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])
