"""Run the service under gunicorn, with the options that its workers need."""

from __future__ import annotations

import ctypes
import os
import resource
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flask import Flask
from gunicorn.app.base import BaseApplication

from service.server.counters import Shared, shared
from service.server.figures_folder import FOLDER, counting_folder
from service.server.gunicorn_hooks import JsonLogger, Worker, closing, pre_request, when_ready
from service.server.threads.connections import timed
from service.settings import Settings

_MEMORY = "/dev/shm"
_ARENA_MAX, _MMAP_THRESHOLD = -8, -3  # M_ARENA_MAX and M_MMAP_THRESHOLD of glibc (mallopt(3))
_LARGE = 256 * 1024  # bytes of a block that is given back as soon as it is free
_WAITING = 250  # threads of a worker that can wait for clients beside those that work
_MOST_CONNECTIONS = 10_000
FILES_BESIDE = 256  # files that a worker opens beside connections: the database's, uploads, libraries
Load = Callable[[Settings, Shared], Flask]  # makes the application of one worker


class Server(BaseApplication):  # type: ignore[misc]  # gunicorn has no types
    """The service under gunicorn, configured by our settings alone."""

    def __init__(self, settings: Settings, load: Load) -> None:
        self._settings, self._load = settings, load
        self.client_seconds, self.at_once = settings.client_seconds, settings.threads  # read by the workers
        self._counted = shared()  # made before the fork, so that workers share the counts
        super().__init__()

    def load_config(self) -> None:
        """Give gunicorn the options of `options`."""
        for name, value in options(self._settings).items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        """Load the application; gunicorn calls this in each worker, after the fork."""
        give_memory_back()
        app = self._load(self._settings, self._counted)
        app.wsgi_app = timed(closing(app.wsgi_app))  # type: ignore[method-assign]
        return app


def give_memory_back() -> None:
    """Let this process keep little memory that is free, where the C library can be told so.

    By default glibc gives many threads places of their own, each of which keeps what a large request took,
    and it keeps blocks of up to 32 MB once it has freed one of that size: small blocks between them hold them
    in place. A worker then grows by tens of megabytes for each kind of large request.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_ARENA_MAX, 1)
        mallopt(_MMAP_THRESHOLD, _LARGE)


def options(settings: Settings) -> dict[str, Any]:
    """Return gunicorn's options for these settings."""
    found = {
        "bind": settings.bind,
        "workers": settings.workers,
        "threads": settings.threads + _WAITING,
        "worker_connections": max(settings.threads + _WAITING + 1, connections()),
        "worker_class": Worker,
        "logger_class": JsonLogger,
        "when_ready": when_ready,
        "pre_request": pre_request,
        # A bundle is loaded in the worker: threads of a numerical library do not survive a fork.
        "preload_app": False,
        # Without this, all connections that are kept alive can end up with one worker.
        "reuse_port": True,
        # Only signals may control the server.
        "control_socket_disable": True,
        "timeout": settings.timeout,
        "graceful_timeout": settings.grace,
        "keepalive": 15,
        # Otherwise a client of this machine, such as a proxy that hands on what it was sent, could say by a
        # header which path it asks for (SCRIPT_NAME), and under which scheme.
        "forwarder_headers": "",
        "forwarded_allow_ips": "",
        "errorlog": "-",
        "loglevel": settings.log_level,
        "proc_name": "bookmatch",
    }
    if os.access(_MEMORY, os.W_OK):
        found["worker_tmp_dir"] = _MEMORY  # heartbeats must not wait for a slow disk
    return found


def connections() -> int:
    """Return how many connections a worker can hold: each is an open file, and it needs some beside."""
    allowed = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return min(_MOST_CONNECTIONS, allowed - FILES_BESIDE)


def serve(settings: Settings, load: Load) -> None:
    """Serve until told to stop."""
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))  # the usual soft limit is for programs of old
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    with counting_folder(Path(_MEMORY if os.access(_MEMORY, os.W_OK) else tempfile.gettempdir())) as folder:
        os.environ[FOLDER] = str(folder)
        Server(settings, load).run()
