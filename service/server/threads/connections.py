"""A gunicorn worker whose threads no slow client can occupy for long.

The main thread collects a request until its head and a body of usual length are there, so that a client that
is silent or slow costs a socket and no thread. A thread that reads a longer body or sends an answer does so
under a deadline: when it is over, the main thread shuts the connection down. While it waits, another thread
works in its place.
"""

from __future__ import annotations

import errno
import fcntl
import re
import socket
import termios
import time
from collections.abc import Iterable, Iterator
from functools import partial
from io import RawIOBase
from selectors import EVENT_READ
from typing import Any

from gunicorn.util import close_graceful
from gunicorn.workers.gthread import TConn, ThreadWorker
from werkzeug.wsgi import ClosingIterator

from service.server.threads.pool import DEADLINES, HERE, Pool

_PIECE = 64 * 1024  # bytes that must come, or be taken, before the deadline; longer requests go to a thread
_UNREAD = 64 * 1024  # bytes of an answer that the system keeps for a client that does not read it
_SMALL = 32 * 1024  # bytes of an answer that the system takes at once if nothing is unsent
_HEAD_END = b"\r\n\r\n"
_LENGTH = re.compile(rb"\r\ncontent-length:[ \t]*(\d{1,9})[ \t]*\r\n", re.IGNORECASE)
_OTHER = re.compile(rb"\r\n(expect|transfer-encoding):", re.IGNORECASE)
_DRAINED = 2 * 2**20  # bytes of a refused body that are thrown away: a proxy sends all before it reads


class Connection(TConn):  # type: ignore[misc]  # gunicorn has no types
    """A connection that the main thread closes at once."""

    def close(self, graceful: bool = False) -> None:
        """Close it. If it had an answer, its thread has let the client take that to the end."""
        super().close()


class CollectingWorker(ThreadWorker):  # type: ignore[misc]  # gunicorn has no types
    """gunicorn's threaded worker, with requests collected by the main thread and deadlines for threads."""

    def init_process(self) -> None:
        """Begin to serve, with the deadlines of the settings."""
        DEADLINES.seconds = self.app.client_seconds
        super().init_process()

    def get_thread_pool(self) -> Pool:
        """Make the threads."""
        return Pool(self.app.at_once, self.cfg.threads)

    def notify(self) -> None:
        """Tell the server that the worker lives, and enforce the deadlines: every second at least."""
        super().notify()
        DEADLINES.enforce()

    def accept(self, listener: Any) -> None:
        """Accept a connection."""
        try:
            client, address = listener.accept()
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.ECONNABORTED):  # another worker took it; it is gone
                raise
            return
        client.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _UNREAD)
        self.nr_conns += 1
        self.enqueue_req(Connection(self.cfg, client, address, listener.getsockname()))

    def enqueue_req(self, conn: Any) -> None:
        """Hand the connection to a thread if its next request has come; else wait for that."""
        conn.init()
        # A piece that gunicorn reads ahead would be copied once for each smaller one that is taken of it.
        conn.parser.unreader.max_body_chunk = _PIECE
        if conn.data_ready or _whole(conn.parser.unreader.buf.getvalue()):
            super().enqueue_req(conn)
        else:
            conn.timeout = time.monotonic() + DEADLINES.seconds
            self.pending_conns.append(conn)
            self.poller.register(conn.sock, EVENT_READ, partial(self.on_pending_socket_readable, conn))

    def on_pending_socket_readable(self, conn: Any, client: Any) -> None:
        """Go on with the connection's first request, or with one that was begun before."""
        if _collect(conn):
            super().on_pending_socket_readable(conn, client)

    def on_client_socket_readable(self, conn: Any, client: Any) -> None:
        """Go on with the next request of a connection that was kept alive."""
        _collect(conn)
        super().on_client_socket_readable(conn, client)

    def handle(self, conn: Any) -> Any:
        """Handle a request in a thread."""
        conn.data_ready = False
        DEADLINES.begin(conn.sock, socket.SHUT_RDWR)
        if _HEAD_END not in conn.parser.unreader.buf.getvalue():
            self.tpool.leave()
        try:
            kept = super().handle(conn)
            if not kept:
                self.tpool.leave()
                close_graceful(conn.sock, max_drain=_DRAINED)
            return kept
        finally:
            DEADLINES.end(conn.sock)
            self.tpool.back()

    def handle_request(self, req: Any, conn: Any) -> Any:
        """Call the application: the head has been read, so only body and answer have deadlines from here."""
        DEADLINES.end(conn.sock)
        self.tpool.back()
        HERE.body = len(conn.parser.unreader.buf.getvalue())
        return super().handle_request(req, conn)


def _collect(conn: Any) -> bool:
    """Receive what has come of a request without waiting; say whether a thread can go on with it."""
    unreader = conn.parser.unreader
    try:
        data = conn.sock.recv(_PIECE, socket.MSG_DONTWAIT)
    except BlockingIOError:
        return False
    except OSError:
        data = b""
    if data:
        begun = unreader.take_buffered() + data
        unreader.unread(begun)
    conn.data_ready = not data or _whole(begun)  # at the stream's end the thread finds what is missing
    return bool(conn.data_ready)


def _whole(begun: bytes) -> bool:
    """Say whether a thread can handle this request without waiting long: a guess that cannot do harm."""
    end = begun.find(_HEAD_END)
    if end < 0:
        return len(begun) >= _PIECE
    head = begun[: end + 2]
    length = _LENGTH.search(head)
    wanted = end + len(_HEAD_END) + (int(length[1]) if length else 0)
    # A client that expects an answer to its head sends no body before; a chunked body tells no length.
    return len(begun) >= min(wanted, _PIECE) or _OTHER.search(head) is not None


def timed(app: Any) -> Any:
    """Wrap the application, so that bodies must come and answers be taken within the deadline."""

    def answered(environ: dict[str, Any], start_response: Any) -> Any:
        sock = environ["gunicorn.socket"]
        chunked = "HTTP_TRANSFER_ENCODING" in environ
        collected = not chunked and int(environ.get("CONTENT_LENGTH") or 0) <= HERE.body
        if not collected:
            environ["wsgi.input"] = _Body(environ["wsgi.input"], sock)
        answer = app(environ, start_response)
        return ClosingIterator(_pieces(answer, sock, collected), getattr(answer, "close", None))

    return answered


def _pieces(answer: Iterable[bytes], sock: socket.socket, collected: bool) -> Iterator[bytes]:
    pool: Pool = HERE.pool
    for item in answer:
        for at in range(0, len(item), _PIECE):
            piece = item[at : at + _PIECE]
            DEADLINES.begin(sock, socket.SHUT_RDWR)
            if len(piece) > _SMALL or _unsent(sock):
                pool.leave()
            yield piece
            DEADLINES.end(sock)
            pool.back()
    DEADLINES.begin(sock, socket.SHUT_RDWR)  # gunicorn has still to send the end of it
    if not collected:
        pool.leave()  # gunicorn waits for what the application has not read of the body


def _unsent(sock: socket.socket) -> bool:
    """Say whether the client has still to take something of what was sent before."""
    return any(fcntl.ioctl(sock, termios.TIOCOUTQ, bytes(4)))


class _Body(RawIOBase):
    """A body that was not collected. If it does not come in time, it ends as if the client had hung up."""

    def __init__(self, body: Any, sock: socket.socket) -> None:
        self._body, self._sock = body, sock

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        view, size = memoryview(buffer), 0
        HERE.pool.leave()
        try:
            while size < len(view):
                data = self._piece(min(len(view) - size, _PIECE))
                view[size : size + len(data)] = data
                size += len(data)
                if len(data) < _PIECE:
                    break
        finally:
            HERE.pool.back()
        return size

    def _piece(self, length: int) -> bytes:
        DEADLINES.begin(self._sock, socket.SHUT_RD)
        try:
            data: bytes = self._body.read(length)
        finally:
            DEADLINES.end(self._sock)
        return data
