"""Names, a line in the log and a count for each request, without personal data: no serials, no addresses.

Of a request are logged its names, method, the pattern of its path, status, time, the key's id and the model.
"""

from __future__ import annotations

import logging
import sys
import time
import traceback
from collections.abc import MutableMapping
from datetime import UTC, datetime
from types import TracebackType
from typing import Any

import orjson
import structlog
from flask import Response, g

from service.context import Exchange
from service.tracing import names_of

HEADER = "X-Request-ID"
_log = structlog.get_logger()


class _Requests:
    """Where the line of each request goes; None where it is not wanted."""

    lines: structlog.BytesLogger | None = None


def configure(level: str) -> None:
    """JSON lines on stderr, from this level on."""
    least = logging.getLevelNamesMapping()[level.upper()]
    structlog.configure(
        processors=[_rendered],
        wrapper_class=structlog.make_filtering_bound_logger(least),
        logger_factory=structlog.BytesLoggerFactory(sys.stderr.buffer),
        cache_logger_on_first_use=True,
    )
    _Requests.lines = structlog.BytesLogger(sys.stderr.buffer) if least <= logging.INFO else None


def _rendered(logger: Any, level: str, event: MutableMapping[str, Any]) -> bytes:
    event["level"], event["timestamp"] = level, datetime.now(UTC)
    return orjson.dumps(event, option=orjson.OPT_UTC_Z)


def log_raised(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """Where an error was raised, and in which request: by its type and place alone."""
    names = g.get("names")
    _log.error("failed", **(names._asdict() if names else {}), error=kind.__name__, at=place_of(trace))


def place_of(trace: TracebackType | None) -> list[str]:
    """Where an error was raised, without its text."""
    frames = traceback.extract_tb(trace)[-12:]
    return [f"{frame.filename.rsplit('/site-packages/')[-1]}:{frame.lineno} {frame.name}" for frame in frames]


def log_failure(error: BaseException) -> None:
    """Where an error was raised that no problem document can tell of any more."""
    log_raised(type(error), error, error.__traceback__)


def begin(now: Exchange) -> None:
    """Give the request its names."""
    asked, have, _ = now
    have.names = names = names_of(asked.environ)
    have.request_id = names.request_id
    have.began = time.perf_counter()


def end(now: Exchange, response: Response) -> Response:
    """Say the request's name in its answer, and leave a line and a count."""
    asked, have, context = now
    response.headers.add(HEADER, have.request_id)
    failure = have.get("failure")
    if failure is not None:
        log_failure(failure)
    seconds, problem = time.perf_counter() - have.began, have.get("problem")
    route = asked.url_rule.rule if asked.url_rule else ""
    context.figures.answered(route, asked.method, response.status_code, seconds, problem)
    if _Requests.lines is not None:
        caller, bundle = have.get("caller"), have.get("bundle")
        line = {
            "event": "request",
            **have.names._asdict(),
            "method": asked.method,
            "route": route or None,
            "status": response.status_code,
            "problem": problem,
            "ms": round(seconds * 1000, 2),
            "key": caller.key_id if caller else None,
            "model_version": bundle.version if bundle else None,
        }
        # Without the logger's own steps: they would take longer than all else that is said here.
        _Requests.lines.msg(_rendered(None, "info", line))
    return response
