"""A stock to revalue: items put in by hand, and what the database holds of them afterwards."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
from apps import keys_of, parts
from fakes import write_fake
from flask import Flask
from sqlalchemy import Row, func, select, update

from models.bundles.registry import Registry
from models.domain.instrument import Instrument
from models.domain.money import Amount
from service.db.engine import reading, writing
from service.db.item_tables import ITEM_VALUES, ITEMS, REVALUATIONS
from service.inventory import feed, revaluations, valuing
from service.inventory.moves import Moves
from service.inventory.records import Item, Put, write
from service.inventory.revaluing import RevaluationContext, now_in_utc


def thing(number: str, model: str = "Fjell 2", asking: str | None = "2000", **fields: Any) -> Item:
    """An item at a dealer's, asked for in US dollars."""
    amount = Amount(asking, "USD") if asking else None
    return Item(number, Instrument("Ostvik", model, **fields), asking=amount)


def things(count: int) -> list[Item]:
    return [thing(f"G-{at:05}", "Dal" if at % 2 else "Fjell 2") for at in range(count)]


def put(app: Flask, items: Iterable[Item], days_ago: int = 1) -> None:
    """Add items, each with a value of a few days ago."""
    context, items = parts(app), list(items)
    key = keys_of(app).create("stock", ("inventory",))[0]
    valuer, now = context.live.bundle().valuer, now_in_utc() - timedelta(days=days_ago)
    outcomes = valuing.value_items(valuer, [(item, 1) for item in items], now.date())
    with writing(context.engine) as connection:
        feed.lock(connection)
        write(connection, [Put(item, None) for item in items], key, now)
        moves = Moves.of(valuer, context.live, context.bundle_cache)
        created = {item.stock_number: feed.CREATED for item in items}
        valuing.keep(connection, outcomes, now, moves=moves, changes=created)


def change(app: Flask, number: str, **values: Any) -> None:
    """Change columns of an item behind the service's back, without a new value."""
    with writing(parts(app).engine) as connection:
        connection.execute(update(ITEMS).where(ITEMS.c.stock_number == number).values(values))


def stock_of(app: Flask, every: timedelta | None = None) -> RevaluationContext:
    context = parts(app)
    return RevaluationContext(context.engine, context.live, context.bundle_cache, every)


def promote(app: Flask, base: float = 8.05) -> str:
    """Make another fake the current price model."""
    store = Path(parts(app).settings.store)
    version = write_fake(store, base)
    Registry(store).promote(version, who="tests", why="to revalue")
    parts(app).live.look()
    return version


def values_of(app: Flask, number: str) -> list[Row[Any]]:
    """Every kept value of an item, the first one first."""
    query = select(ITEM_VALUES).where(ITEM_VALUES.c.stock_number == number).order_by(ITEM_VALUES.c.id)
    with reading(parts(app).engine) as connection:
        return list(connection.execute(query))


def item_row(app: Flask, number: str) -> Row[Any]:
    with reading(parts(app).engine) as connection:
        return connection.execute(select(ITEMS).where(ITEMS.c.stock_number == number)).one()


def revaluation(app: Flask, id: str) -> Row[Any]:
    with reading(parts(app).engine) as connection:
        return connection.execute(select(REVALUATIONS).where(REVALUATIONS.c.id == id)).one()


def why(row: Row[Any]) -> list[tuple[str, str | None, str]]:
    return [(one["cause"], one["field"], one["amount"]) for one in orjson.loads(row.why)]


def today() -> date:
    return datetime.now(UTC).date()


def begin(app: Flask, filters: Any = revaluations.EVERYTHING, reason: str = revaluations.ASKED) -> str:
    with writing(parts(app).engine) as connection:
        return revaluations.begin(connection, filters, reason, now_in_utc())


def count(app: Flask, what: Any) -> int:
    with reading(parts(app).engine) as connection:
        return int(connection.execute(select(func.count()).where(what)).scalar_one())
