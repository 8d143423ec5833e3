"""A file of items is written once, whatever is killed; `STOCK_ITEMS=20000` makes it as large as a stock."""

from __future__ import annotations

import os
import random
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
from items_ground import COUNT, Row, caught_up, drawn, listed, sent
from running import Running
from sqlalchemy import func, select

from service.db.engine import open_engine, reading
from service.db.item_tables import ITEM_VALUES, ITEMS

KILLS = 10 if COUNT >= 2_000 else 3
ROWS_A_SECOND = 2_500  # about as fast as a file is written, so that most kills come while it is


@pytest.fixture
def address(backend: str, new_database: Callable[[str], str]) -> str:
    return new_database(backend)


@pytest.fixture
def served(tmp_path: Path, demo_store: Path, address: str) -> Iterator[Running]:
    settings = {"BOOKMATCH_DATABASE": address}
    with Running(tmp_path, demo_store, fake=False, settings=settings) as running:
        running.key = running.new_key("inventory", "valuations")
        yield running


class Sending(threading.Thread):
    """Sends a file once; `answered` says whether all of it was taken before the connection broke."""

    def __init__(self, service: Running, rows: list[Row]) -> None:
        super().__init__()
        self._service, self._rows, self.answered = service, rows, False

    def run(self) -> None:
        try:
            with client_of(self._service) as http:
                sent(http, self._rows)
                self.answered = True
        except (httpx.TransportError, AssertionError):  # the connection broke, or an answer said 503
            pass


def client_of(service: Running) -> httpx.Client:
    """A client with the stock's key, at the port that the service has now."""
    headers = {"Authorization": f"Bearer {service.key}"}
    return httpx.Client(base_url=service.url, headers=headers, timeout=600, verify=False)


def kill(service: Running, at: int) -> None:
    """Kill all workers, or every second time the whole service, and let it be ready again."""
    if at % 2:
        service.kill()
        service.start()
        return
    for pid in service.workers():
        os.kill(pid, signal.SIGKILL)
    service.wait_until_ready()


def test_a_file_of_items_is_written_once_whatever_is_killed(served: Running, address: str) -> None:
    draw, broken = random.Random(41), 0
    with client_of(served) as http:
        rows = drawn(http)
    for at in range(KILLS):  # a part of the stock each time: what was written already would take no time
        part = rows[at::KILLS]
        sending = Sending(served, part)
        sending.start()
        time.sleep(draw.uniform(0, len(part) / ROWS_A_SECOND))
        kill(served, at)
        sending.join()
        broken += not sending.answered
        with client_of(served) as http:
            sent(http, part)
    with client_of(served) as http:
        report = sent(http, rows)
        assert report["created"] + report["unchanged"] == COUNT and report["refused"] == 0
        items, followed = listed(http), dict[str, object]()
        caught_up(http, followed, "0")
    assert followed == items and len(items) == COUNT
    assert {item["version"] for item in items.values()} == {1}
    engine = open_engine(address)
    with reading(engine) as connection:
        numbers = connection.execute(select(ITEMS.c.position).order_by(ITEMS.c.position)).scalars().all()
        values = connection.execute(select(func.count()).select_from(ITEM_VALUES)).scalar_one()
    engine.dispose()
    assert (list(numbers), values) == (list(range(1, COUNT + 1)), COUNT)
    print(f"{COUNT} items, {broken} of {KILLS} uploads broken")
    assert broken > 0
