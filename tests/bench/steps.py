"""Measure each step of a request in one process and without a server: median microseconds."""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import orjson
from bare import fixed
from flask import Flask, g

from service.api.valuations import records, routes
from service.api.valuations import services as storing
from service.api.values.schemas import dump_valuation
from service.app import create_app
from service.context import bundle
from service.db.schema import METADATA
from service.http.bodies import load, read_object
from service.http.hooks.authentication import check_caller, identify
from service.http.hooks.rate_limits import count
from service.settings import Settings

PATHS = ("attributions", "intervals", "valuations")
SECRET = "a secret of the bench, long enough to be taken"


def steps(store: Path, bodies: Sequence[bytes]) -> Iterator[tuple[str, float]]:
    """Name and median of every step of POST /v1/valuations, then of whole requests, then of bare Flask's."""
    with TemporaryDirectory() as folder:
        app, key = _service(store, Path(folder))
        environs = [_environ("valuations", body, key) for body in bodies]
        found: dict[str, list[float]] = {}
        for warm in (True, False):
            found.clear()
            for environ in environs:
                _one(app, environ | {"wsgi.input": io.BytesIO(environ["body"])}, found)
            if warm:
                continue
        yield from ((name, median(times)) for name, times in found.items())
        answers = {}
        for path in PATHS:
            times, answers[path] = _whole(app, path, bodies, key)
            yield f"POST /v1/{path}, all of it", times
        for path in PATHS:
            bare = Flask("bare", static_folder=None)
            bare.add_url_rule(f"/v1/{path}", path, fixed(answers[path]), methods=["POST"])
            yield f"bare Flask, {len(answers[path])} bytes", _whole(bare, path, bodies, key)[0]


def _service(store: Path, folder: Path) -> tuple[Flask, str]:
    settings = Settings(
        store=store,
        secret=SECRET,
        database=f"sqlite:///{folder / 'service.db'}",
        log_level="error",
        limit_system=10**9,
    )
    app = create_app(settings)
    context = app.extensions["bookmatch"]
    METADATA.create_all(context.engine)
    return app, context.keys.create("bench", ["valuations"])[1]


def _environ(path: str, body: bytes, key: str) -> dict[str, Any]:
    return {
        "REQUEST_METHOD": "POST",
        "PATH_INFO": f"/v1/{path}",
        "SCRIPT_NAME": "",
        "QUERY_STRING": "",
        "SERVER_NAME": "bench",
        "SERVER_PORT": "80",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "REMOTE_ADDR": "127.0.0.1",
        "CONTENT_TYPE": "application/json",
        "CONTENT_LENGTH": str(len(body)),
        "HTTP_AUTHORIZATION": f"Bearer {key}",
        "HTTP_ACCEPT": "application/json",
        "wsgi.url_scheme": "http",
        "wsgi.input": io.BytesIO(body),
        "body": body,
    }


def _one(app: Flask, environ: dict[str, Any], found: dict[str, list[float]]) -> None:
    def timed(name: str, work: Callable[[], Any]) -> Any:
        began = time.perf_counter()
        result = work()
        found.setdefault(name, []).append((time.perf_counter() - began) * 1e6)
        return result

    with app.request_context(environ):
        timed("key check", lambda: (identify(), check_caller(["valuations"])))
        timed("limit", count)
        data = timed("read body", read_object)
        ask = timed("schema", lambda: load(routes._REQUEST, data))
        valuer = bundle().valuer
        timed("value and ranges", lambda: valuer.ranged(ask.subject, ask.currency, ask.levels))
        valued = timed(
            "value, ranges and reasons", lambda: valuer.value(ask.subject, ask.currency, ask.levels)
        )
        record_id, created = records.new_id(), datetime.now(UTC)
        said = timed("answer", lambda: dump_valuation(valued, record_id, created))
        body = timed("write JSON", lambda: orjson.dumps(said))
        row = {
            "id": record_id,
            "key_id": g.caller.key_id,
            "created": created,
            "model_version": valued.model_version,
            **records.stored(body),
        }
        timed("insert", lambda: storing._keep(row, None))


def _whole(app: Flask, path: str, bodies: Sequence[bytes], key: str) -> tuple[float, bytes]:
    times, answer = [], b""
    for body in bodies:
        environ = _environ(path, body, key)
        began = time.perf_counter()
        parts = app(environ, lambda status, headers, error=None: None)
        answer = b"".join(parts)
        parts.close()
        times.append((time.perf_counter() - began) * 1e6)
    return median(times), answer
