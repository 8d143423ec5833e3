"""Limits under real gunicorn: four workers count as one, also when some of them are killed."""

from __future__ import annotations

import os
import signal
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from asking import AUTHORIZATIONS
from running import Running

WINDOW = {"BOOKMATCH_WORKERS": "4", "BOOKMATCH_LIMIT_SECONDS": "3600"}


def statuses(served: Running, count: int, headers: list[dict[str, str]]) -> Counter[int]:
    """Send so many requests, each on a connection of its own, sixteen at once, and return their statuses."""

    def ask(at: int) -> int:
        return http.get("/v1/vocabulary", headers=headers[at % len(headers)]).status_code

    with served.connecting() as http, ThreadPoolExecutor(16) as pool:
        return Counter(pool.map(ask, range(count)))


def test_four_workers_count_as_one_and_a_killed_ones_count_stays(tmp_path: Path, fake_store: Path) -> None:
    with Running(tmp_path, fake_store, settings={**WINDOW, "BOOKMATCH_LIMIT_SYSTEM": "100"}) as served:
        assert statuses(served, 60, [served.headers]) == {200: 60}
        killed = served.workers()
        assert len(killed) == 4
        for pid in killed:
            os.kill(pid, signal.SIGKILL)
        wait_for_others(served, killed)
        assert statuses(served, 140, [served.headers]) == {200: 40, 429: 100}
        other = served.new_key("valuations")
        assert statuses(served, 20, [{"Authorization": f"Bearer {other}"}]) == {200: 20}


def wait_for_others(served: Running, killed: list[int]) -> None:
    end = time.monotonic() + 30
    while time.monotonic() < end:
        found = served.workers()
        if len(found) == 4 and not set(found) & set(killed):
            served.wait_until_ready()
            return
        time.sleep(0.1)
    pytest.fail("the workers did not come back")


def test_no_authorization_header_escapes_the_limit(tmp_path: Path, fake_store: Path) -> None:
    sent = [
        {} if a is None else {"Authorization": a.strip()} for a in AUTHORIZATIONS
    ]  # httpx sends no blanks
    for at, headers in enumerate(sent):
        headers["X-Forwarded-For"] = f"203.0.113.{at}"
    with Running(tmp_path, fake_store, settings={**WINDOW, "BOOKMATCH_LIMIT_ADDRESS": "40"}) as served:
        assert statuses(served, 160, sent) == {401: 40, 429: 120}
        assert statuses(served, 10, [served.headers]) == {200: 10}
