"""Make gunicorn's own answers problem documents, and its own log JSON lines.

Neither of them holds anything that a caller sent, or the caller's address.
"""

from __future__ import annotations

import logging
import secrets
import threading
from collections.abc import Mapping
from datetime import UTC, datetime
from http import HTTPStatus
from typing import Any

import orjson
from gunicorn.glogging import Logger
from gunicorn.http import errors
from gunicorn.util import write_nonblock

from service.problems import BY_STATUS, CAUTIOUS, PROBLEM_JSON, ProblemKind, document
from service.server.logs import frames_of
from service.server.threads.connections import CollectingWorker

_STATUS: Mapping[type[Exception], int] = {
    errors.LimitRequestLine: 414,
    errors.ExpectationFailed: 417,
    errors.LimitRequestHeaders: 431,
    errors.UnsupportedTransferCoding: 501,
    # The next three derive from errors about requests, but are faults of the service.
    errors.InvalidResponseHeader: 500,
    errors.InvalidResponseHeaderName: 500,
    errors.ConfigurationProblem: 500,
    errors.ParseException: 400,
    Exception: 500,
}

_DRAINED = 64 * 1024  # bytes of an unread body that gunicorn discards; beyond, it closes the connection
_thread = threading.local()


def when_ready(server: Any) -> None:
    """Log the address (gunicorn's hook); gunicorn's own line has none, since the workers open the port."""
    server.log.info("Workers listen at: %s", ", ".join(server.cfg.bind))


def pre_request(worker: Any, req: Any) -> None:
    """Remember the request that this thread begins (gunicorn's hook)."""
    _thread.request = req


def closing(app: Any) -> Any:
    """Wrap the application, so that a refusal of a large body announces that gunicorn closes the connection.

    Otherwise a caller would send its next request into a closed connection.
    """

    def answered(environ: dict[str, Any], start_response: Any) -> Any:
        def start(status: str, headers: Any, exc_info: Any = None) -> Any:
            chunked = "HTTP_TRANSFER_ENCODING" in environ
            if status >= "400" and (chunked or int(environ.get("CONTENT_LENGTH") or 0) > _DRAINED):
                _thread.request.force_close()
            return start_response(status, headers, exc_info)

        return app(environ, start)

    return answered


class Worker(CollectingWorker):
    """A gunicorn worker that answers malformed HTTP with a problem document, like every other error."""

    def handle_error(self, req: Any, client: Any, addr: Any, exc: Exception) -> None:
        """Log and answer a request that could not be parsed, so that it never reached the application."""
        status = next(_STATUS[cls] for cls in type(exc).__mro__ if cls in _STATUS)
        request_id = secrets.token_hex(8)
        self.log.error_log.log(
            logging.ERROR if status == 500 else logging.WARNING,
            "request refused",
            exc_info=exc,
            extra={"fields": {"request_id": request_id, "status": status}},
        )
        self.wsgi.extensions["bookmatch"].figures.refused(status, BY_STATUS[status].name)
        try:
            write_nonblock(client, _answer(BY_STATUS[status], request_id))
        except OSError:  # the caller has gone
            return


def _answer(kind: ProblemKind, request_id: str) -> bytes:
    body = document(kind, kind.remedy, "/", request_id)
    headers = (
        f"HTTP/1.1 {kind.status} {HTTPStatus(kind.status).phrase}",
        f"Content-Type: {PROBLEM_JSON}",
        f"Content-Length: {len(body)}",
        f"X-Request-ID: {request_id}",
        *(f"{name}: {value}" for name, value in CAUTIOUS.items()),
        "Connection: close",
    )
    return "\r\n".join([*headers, "", ""]).encode() + body


class JsonLogger(Logger):  # type: ignore[misc]  # gunicorn has no types
    """gunicorn's log in the form of ours."""

    def setup(self, cfg: Any) -> None:
        """Set up the log as gunicorn does, then make each handler write JSON lines."""
        super().setup(cfg)
        for handler in self.error_log.handlers:
            handler.setFormatter(_Line())


class _Line(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        """Return the record as a JSON line; an error without its text, which can hold what a caller sent."""
        kind, error, trace = record.exc_info or (None, None, None)
        line: dict[str, Any] = {"event": str(record.msg) if kind else record.getMessage()}
        line |= getattr(record, "fields", {})
        if kind is not None and error is not None:
            line |= {"error": kind.__name__, "at": frames_of(trace)}
        line |= {"level": record.levelname.lower(), "pid": record.process}
        moment = datetime.fromtimestamp(record.created, UTC).isoformat()
        return orjson.dumps({**line, "timestamp": moment.replace("+00:00", "Z")}).decode()
