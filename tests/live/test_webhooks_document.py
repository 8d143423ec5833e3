"""The receiver of docs/webhooks.md, run as it stands there, takes what the service sends and nothing else."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from running import Running

DOCUMENT = Path(__file__).parents[2] / "docs" / "webhooks.md"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def served(tmp_path: Path, demo_store: Path) -> Iterator[Running]:
    own = {"BOOKMATCH_WEBHOOK_NETWORKS": "127.0.0.0/8"}
    with Running(tmp_path, demo_store, fake=False, settings=own) as running:
        yield running


def until(asked: Any, seconds: float = 20.0) -> Any:
    """Ask until there is an answer that counts."""
    end = time.monotonic() + seconds
    while not (found := asked()) and time.monotonic() < end:
        time.sleep(0.1)
    return found


def test_the_receiver_of_the_document_takes_what_the_service_sends(served: Running, tmp_path: Path) -> None:
    found = re.search(r"<!-- file: receiver.py -->\n```python\n(.*?)```\n", DOCUMENT.read_text(), re.DOTALL)
    assert found
    (tmp_path / "receiver.py").write_text(found[1])
    port = free_port()
    url = f"http://127.0.0.1:{port}/hooks"
    key = served.call("keys", "create", "the shop", "--scope", "inventory").strip()
    with httpx.Client(base_url=served.url, headers={"Authorization": f"Bearer {key}"}) as http:
        made = http.post("/v1/webhooks", json={"url": url}).json()
        path = f"/v1/webhooks/{made['id']}"
        command = [sys.executable, str(tmp_path / "receiver.py"), str(port)]
        environment = {**os.environ, "WEBHOOK_SECRET": made["secret"]}
        quiet: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL, "text": True}
        with subprocess.Popen(command, env=environment, **quiet) as receiver:
            try:
                assert until(lambda: _listens(port))
                http.post(f"{path}/test")
                assert until(lambda: http.get(path).json()["state"] == "active"), http.get(path).json()
                (sent,) = http.get(f"{path}/deliveries").json()["deliveries"]
                assert receiver.stdout is not None
                told = receiver.stdout.readline().split(maxsplit=2)
                assert told[:2] == [sent["event"], "webhook.test"]
                head = {"webhook-id": "evt_1", "webhook-timestamp": str(int(time.time()))}
                forged = httpx.post(url, content="{}", headers={**head, "webhook-signature": "v1,AAAA"})
                assert forged.status_code == 401
            finally:
                receiver.kill()


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
