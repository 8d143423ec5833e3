"""Items of a dealer's stock in the database of an application, and what is asked of them together."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from apps import keys_of, parts
from flask import Flask

from models.domain.instrument import Instrument
from service.db.engine import writing
from service.inventory import feed
from service.inventory.records import Item, Put, among, write

NAMES = ("/v1/portfolios", "/v1/portfolios/picture.svg")
# Every operation of portfolios, with one request that it answers well after `keep_described`.
PORTFOLIOS: list[tuple[str, str, str, Any]] = [
    ("post", path, path, {"stock_numbers": ["described", "not there"]}) for path in NAMES
]


def keep_items(app: Flask, *items: Item) -> None:
    """Keep items without values, as a dealer with a key of its own."""
    key = keys_of(app).create("a dealer", ["inventory"])[0]
    with writing(parts(app).engine) as connection:
        feed.lock(connection)
        there = among(connection, [item.stock_number for item in items])
        puts = [Put(item, there.get(item.stock_number)) for item in items]
        write(connection, puts, key, datetime.now(UTC))
        feed.record(
            connection,
            [(item.stock_number, feed.CHANGED if before else feed.CREATED) for item, before in puts],
        )


def keep_described(app: Flask, path: str) -> None:
    """Keep the item that `PORTFOLIOS` asks for, if this is a path of them."""
    if path in NAMES:
        keep_items(app, Item("described", Instrument("Ostvik", "Dal")))
