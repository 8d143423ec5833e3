"""An S3-compatible store in a process of its own, for which the server of moto stands in."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import httpx
import pytest

S3_KEY = {"files_key_id": "a-key", "files_key_secret": "a-secret"}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def object_store(*buckets: str, port: int | None = None) -> Iterator[str]:
    """Run moto's server with these buckets; give its address."""
    port = port or free_port()
    code = f"from moto.server import main; main(['-H', '127.0.0.1', '-p', '{port}'])"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as server:
        try:
            url = f"http://127.0.0.1:{port}"
            for bucket in buckets:
                _make(f"{url}/{bucket}")
            yield url
        finally:
            server.kill()


def _make(address: str) -> None:
    for _ in range(300):
        try:
            assert httpx.put(address, timeout=30).status_code == 200
            return
        except httpx.TransportError:
            time.sleep(0.1)
    pytest.fail("moto's server did not start")
