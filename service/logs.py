"""Names, a line in the log and a count for each request, without personal data: no serials, no addresses.

Of a request are logged its names, method, the pattern of its path, status, time, the key's id and the model.
"""

from __future__ import annotations

import logging
import sys
import time
import traceback
from collections.abc import Callable
from types import TracebackType
from typing import Any

import orjson
import structlog
from flask import Flask, Response, g, request

from service.context import context, found
from service.tracing import names_of

HEADER = "X-Request-ID"
_log = structlog.get_logger()


def configure(level: str) -> None:
    """JSON lines on stderr, from this level on."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.JSONRenderer(serializer=orjson.dumps),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
        logger_factory=structlog.BytesLoggerFactory(sys.stderr.buffer),
        cache_logger_on_first_use=True,
    )


class QuietFlask(Flask):
    """Flask whose errors are logged by type and place: their text can hold what a body held."""

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        """The function as it is: none of ours is a coroutine, and Flask would look ten times a request."""
        return func

    def log_exception(self, exc_info: Any) -> None:
        """Where an unexpected error was raised."""
        kind, error, trace = exc_info
        _failed(kind, error, trace)


def _failed(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    names = g.get("names")
    _log.error("failed", **(names._asdict() if names else {}), error=kind.__name__, at=place_of(trace))


def place_of(trace: TracebackType | None) -> list[str]:
    """Where an error was raised, without its text."""
    frames = traceback.extract_tb(trace)[-12:]
    return [f"{frame.filename.rsplit('/site-packages/')[-1]}:{frame.lineno} {frame.name}" for frame in frames]


def log_failure(error: BaseException) -> None:
    """Where an error was raised that no problem document can tell of any more."""
    _failed(type(error), error, error.__traceback__)


def install(app: Flask) -> None:
    """Give every request its names, and a line and a count when it has been answered."""
    app.before_request(_begin)
    app.after_request(_end)


def _begin() -> None:
    have = found(g)
    have.names = names = names_of(request.environ)
    have.request_id = names.request_id
    have.began = time.perf_counter()


def _end(response: Response) -> Response:
    have, asked = found(g), found(request)
    response.headers[HEADER] = have.request_id
    failure = have.get("failure")
    if failure is not None:
        _failed(type(failure), failure, failure.__traceback__)
    seconds, problem = time.perf_counter() - have.began, have.get("problem")
    route = asked.url_rule.rule if asked.url_rule else ""
    context().figures.answered(route, asked.method, response.status_code, seconds, problem)
    caller, bundle = have.get("caller"), have.get("bundle")
    _log.info(
        "request",
        **have.names._asdict(),
        method=asked.method,
        route=route or None,
        status=response.status_code,
        problem=problem,
        ms=round(seconds * 1000, 2),
        key=caller.key_id if caller else None,
        model_version=bundle.version if bundle else None,
    )
    return response
