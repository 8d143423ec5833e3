"""The log: JSON lines on stderr, without personal data. It has an error's type and place, never its text."""

from __future__ import annotations

import logging
import sys
import traceback
from collections.abc import MutableMapping
from datetime import UTC, datetime
from types import TracebackType
from typing import Any

import orjson
import structlog
from flask import g

_log = structlog.get_logger()


class Requests:
    """The log of requests. `lines`: its writer, None if the log's level leaves requests out."""

    lines: structlog.BytesLogger | None = None


class _ErrorsByPlace(logging.Handler):
    """Log Flask's own errors without their text, which can hold parts of a request's body."""

    def emit(self, record: logging.LogRecord) -> None:
        """Log the type and place of an error; log the message of a record without an error."""
        error = record.exc_info[1] if record.exc_info else None
        if error is not None:
            log_failure(error)
        else:
            _log.log(record.levelno, record.getMessage())


def configure(level: str) -> None:
    """Write JSON lines to stderr, from this level on."""
    flask_logger = logging.getLogger("service")  # Flask names it after the application
    flask_logger.handlers, flask_logger.propagate = [_ErrorsByPlace()], False
    least = logging.getLevelNamesMapping()[level.upper()]
    structlog.configure(
        processors=[rendered],
        wrapper_class=structlog.make_filtering_bound_logger(least),
        logger_factory=structlog.BytesLoggerFactory(sys.stderr.buffer),
        cache_logger_on_first_use=True,
    )
    Requests.lines = structlog.BytesLogger(sys.stderr.buffer) if least <= logging.INFO else None


def rendered(logger: Any, level: str, event: MutableMapping[str, Any]) -> bytes:
    """Write one event as a line of JSON."""
    event["level"], event["timestamp"] = level, datetime.now(UTC)
    return orjson.dumps(event, option=orjson.OPT_UTC_Z)


def log_failure(error: BaseException) -> None:
    """Log which error was raised, where, and in which request."""
    names = g.get("names")
    named = names._asdict() if names else {}
    _log.error("failed", **named, error=type(error).__name__, at=frames_of(error.__traceback__))


def frames_of(trace: TracebackType | None) -> list[str]:
    """Return the last 12 frames of a traceback as text, innermost last, without the error's text."""
    frames = traceback.extract_tb(trace)[-12:]
    return [f"{frame.filename.rsplit('/site-packages/')[-1]}:{frame.lineno} {frame.name}" for frame in frames]
