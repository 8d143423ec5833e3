"""Answered valuations are kept, whatever happens to the processes afterwards."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import httpx
from fakes import write_fake
from running import Running

from models.bundles.registry import Registry

ASKED = {"instrument": {"maker": "Ostvik", "model": "Dal", "year": 1966}, "date": "2026-01-02"}


class Caller(threading.Thread):
    """Asks again and again until the service is gone; keeps every answer it was given whole."""

    def __init__(self, service: Running) -> None:
        super().__init__()
        self._service, self.answered = service, dict[str, bytes]()

    def run(self) -> None:
        with httpx.Client(base_url=self._service.url, headers=self._service.headers, timeout=60) as client:
            try:
                while True:
                    found = client.post("/v1/valuations", json=ASKED)
                    assert found.status_code == 201, found.text
                    self.answered[found.json()["id"]] = found.content
            except httpx.TransportError:
                return


def test_every_valuation_that_was_answered_survives_sigkill(tmp_path: Path) -> None:
    store = tmp_path / "store"
    Registry(store).promote(write_fake(store), who="tests", why="to serve")
    with Running(tmp_path, store) as service:
        callers = [Caller(service) for _ in range(4)]
        for caller in callers:
            caller.start()
        end = time.monotonic() + 20
        while min(len(caller.answered) for caller in callers) < 25 and time.monotonic() < end:
            time.sleep(0.01)
        service.kill()
        for caller in callers:
            caller.join()
        answered = {id_: body for caller in callers for id_, body in caller.answered.items()}
        assert len(answered) >= 100
        service.start()
        with httpx.Client(base_url=service.url, headers=service.headers, timeout=60) as client:
            again = {id_: client.get(f"/v1/valuations/{id_}") for id_ in answered}
    assert {found.status_code for found in again.values()} == {200}
    assert {id_: found.content for id_, found in again.items()} == answered
