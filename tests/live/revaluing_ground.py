"""A stock in the database of a running service: revalued beside callers, or while its processes are killed.

`make revalue` does both with 20,000 items of a fitted model, on both databases, and prints the figures; the
suite does it with a few hundred of the fake (`test_revaluing_live.py`).
"""

from __future__ import annotations

import os
import signal
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import orjson
from fakes import read_fake, write_fake
from postgres import new_database_of, server_in
from running import Running
from specimens import drawn
from sqlalchemy import func, select

from models.bundles.bundle import read_bundle
from models.bundles.registry import Registry
from service.db.engine import open_engine, reading, writing
from service.db.item_tables import FEED, ITEM_VALUES, ITEMS, REVALUATIONS
from service.inventory import feed, valuing
from service.inventory.moves import Moves
from service.inventory.records import Item, Put, write
from service.inventory.revaluing import now_in_utc

AT_ONCE = 1_000
PATIENCE = 600  # seconds


@dataclass
class Stock:
    """A service with a stock of `count` items, each of which has a value of yesterday."""

    service: Running
    count: int
    address: str
    key: str = ""

    def fill(self, fake: bool) -> None:
        """Put the items into the database behind the service's back."""
        registry = Registry(self.service.store)
        folder = registry.folder(registry.current().version)
        valuer = read_bundle(folder, read_model=read_fake if fake else None).valuer
        key_id = self.key.split("_")[1]
        now = now_in_utc() - timedelta(days=1)
        engine = open_engine(self.address)
        subjects = drawn(valuer.catalogue, self.count, seed=7, known=0.6)
        items = [Item(f"G-{at:06}", s.instrument, channel=s.channel) for at, s in enumerate(subjects)]
        for start in range(0, self.count, AT_ONCE):
            part = items[start : start + AT_ONCE]
            outcomes = valuing.value_items(valuer, [(item, 1) for item in part], now.date())
            with writing(engine) as connection:
                feed.lock(connection)
                write(connection, [Put(item, None) for item in part], key_id, now)
                created = {item.stock_number: feed.CREATED for item in part}
                moves = Moves(valuer, {}.get)
                valuing.keep(connection, outcomes, now, moves=moves, changes=created)
        engine.dispose()

    def begin(self) -> str:
        with self.client() as client:
            return str(client.post("/v1/revaluations", json={}).raise_for_status().json()["id"])

    def state(self, revaluation: str) -> dict[str, Any]:
        """Return the revaluation as the service shows it; ask again while the service is not there."""
        end = time.monotonic() + PATIENCE
        while True:
            try:
                with self.client() as client:
                    found: dict[str, Any] = (
                        client.get(f"/v1/revaluations/{revaluation}").raise_for_status().json()
                    )
                    return found
            except httpx.HTTPError:
                assert time.monotonic() < end
                time.sleep(0.1)

    def finished(self, revaluation: str) -> dict[str, Any]:
        end = time.monotonic() + PATIENCE
        while (found := self.state(revaluation))["state"] not in ("done", "failed"):
            assert time.monotonic() < end, found
            time.sleep(0.2)
        return found

    def client(self) -> httpx.Client:
        headers = {"Authorization": f"Bearer {self.key}"}
        return httpx.Client(base_url=self.service.url, headers=headers, timeout=30)

    def faults(self, revaluation: str) -> list[str]:
        """Say what is lost or doubled in the database after a revaluation of everything."""
        engine, mine = open_engine(self.address), ITEM_VALUES.c.revaluation_id == revaluation
        each = select(func.count().label("times")).where(mine).group_by(ITEM_VALUES.c.stock_number).subquery()
        row = REVALUATIONS.c.id == revaluation
        with reading(engine) as connection:
            values, items = connection.execute(
                select(func.count(), func.max(each.c.times)).select_from(each)
            ).one()
            stale = connection.execute(
                select(func.count()).where(ITEMS.c.valued_on < now_in_utc().date())
            ).scalar_one()
            positions = list(
                connection.execute(select(ITEMS.c.position).order_by(ITEMS.c.position)).scalars()
            )
            last = connection.execute(select(FEED.c.position)).scalar_one()
            shown = connection.execute(select(REVALUATIONS.c.done, REVALUATIONS.c.failed).where(row)).one()
        engine.dispose()
        found = {
            "items valued": (values, self.count),
            "most values of one item": (items, 1),
            "items with yesterday's value": (stale, 0),
            "positions in the feed": (positions, list(range(last - self.count + 1, last + 1))),
            "done and failed": (tuple(shown), (self.count, 0)),
        }
        return [f"{name}: {got}, not {wanted}" for name, (got, wanted) in found.items() if got != wanted]


@dataclass(eq=False)
class Asking(threading.Thread):
    """Asks for one value after the other, with a pause as people make them; keeps how long each took."""

    stock: Stock
    pause: float = 0.02
    took: list[float] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        super().__init__()
        self.failed: list[str] = []

    def run(self) -> None:
        it = drawn_body(self.stock)
        with self.stock.client() as client:
            while not self.stop.is_set():
                began = time.monotonic()
                found = client.post("/v1/valuations", json=it)
                self.took.append(time.monotonic() - began)
                if found.status_code != 201:
                    self.failed.append(found.text)
                self.stop.wait(self.pause)


def drawn_body(stock: Stock) -> dict[str, Any]:
    """The body of a valuation of the first item."""
    engine = open_engine(stock.address)
    with reading(engine) as connection:
        text = connection.execute(select(ITEMS.c.instrument).limit(1)).scalar_one()
    engine.dispose()
    return {"instrument": orjson.loads(text)}


def beside_callers(stock: Stock, callers: int = 2) -> tuple[float, list[float], list[str]]:
    """Revalue while callers ask: the seconds that it took, those of each valuation, and what was wrong."""
    asking = [Asking(stock) for _ in range(callers)]
    for one in asking:
        one.start()
    time.sleep(1)
    before = [len(one.took) for one in asking]
    began = time.monotonic()
    revaluation = stock.begin()
    stock.finished(revaluation)
    seconds = time.monotonic() - began
    for one in asking:
        one.stop.set()
        one.join()
    took = [second for one, skip in zip(asking, before, strict=True) for second in one.took[skip:]]
    wrong = [text for one in asking for text in one.failed]
    return seconds, took, [*stock.faults(revaluation), *wrong]


def under_fire(stock: Stock, kills: int) -> list[str]:
    """Revalue while processes are killed, workers and the whole service in turn; what was wrong."""
    revaluation, met = stock.begin(), 0
    for at in range(kills):
        done = stock.state(revaluation)
        reached, end = done["done"], time.monotonic() + PATIENCE
        while done["done"] == reached and done["state"] in ("waiting", "running"):
            assert time.monotonic() < end
            time.sleep(0.03)
            done = stock.state(revaluation)
        met += done["state"] == "running"
        if at % 2:
            stock.service.kill()
            stock.service.start()
        else:
            for pid in stock.service.workers():
                os.kill(pid, signal.SIGKILL)
    stock.finished(revaluation)
    return [*stock.faults(revaluation), *([] if met == kills else [f"it was killed {met} times at work"])]


def percentile(took: Sequence[float], share: int) -> float:
    return statistics.quantiles(took, n=100, method="inclusive")[share - 1]


def stocked(folder: Path, store: Path, count: int, address: str, *, fake: bool) -> Stock:
    """A service that is not started yet. `address`: of its database; empty: SQLite in its folder."""
    address = address or f"sqlite:///{folder / 'service.db'}"
    settings = {"BOOKMATCH_DATABASE": address, "BOOKMATCH_REVALUE_EVERY": "0"}
    return Stock(Running(folder, store, fake, settings), count, address)


def opened(stock: Stock, fake: bool) -> Stock:
    """Fill the stock of a service that runs."""
    made = stock.service.call("keys", "create", "stock", "--scope", "inventory", "--scope", "valuations")
    stock.key = made.strip()
    stock.fill(fake)
    return stock


def fake_store(folder: Path) -> Path:
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    return folder / "store"


def main(store: Path, count: int, kills: int) -> None:
    """Do both, on both databases, and print the figures."""
    with tempfile.TemporaryDirectory() as name:
        server = server_in(Path(name) / "postgres")
        try:
            for what, address in (("SQLite", str), ("PostgreSQL", lambda: new_database_of(server))):
                for beside in (True, False):
                    folder = Path(tempfile.mkdtemp(dir=name))
                    stock = stocked(folder, store, count, address(), fake=False)
                    with stock.service:
                        opened(stock, fake=False)
                        print(f"{what}:", said(stock) if beside else shot_at(stock, kills), flush=True)
        finally:
            server.cleanup()


def said(stock: Stock) -> str:
    seconds, took, wrong = beside_callers(stock)
    median, most = statistics.median(took), max(took)
    return (
        f"{stock.count:,} items in {seconds:.1f} s; {len(took):,} valuations beside it: median "
        f"{1000 * median:.0f} ms, 99th percentile {1000 * percentile(took, 99):.0f} ms, longest "
        f"{1000 * most:.0f} ms; wrong: {wrong or 'nothing'}"
    )


def shot_at(stock: Stock, kills: int) -> str:
    wrong = under_fire(stock, kills)
    return f"{stock.count:,} items, processes killed {kills} times on the way; wrong: {wrong or 'nothing'}"


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
