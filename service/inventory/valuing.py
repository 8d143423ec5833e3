"""Value items, and keep their values: the present one with the item, every one in the history."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, Row, bindparam, insert, update

from models.domain.instrument import Subject
from models.domain.money import Amount
from models.errors import BookmatchError, InputError
from models.tables.stocklist import Asked, value_asked
from models.valuation.valuer import Valuation, Valuer
from service.db.item_tables import ITEM_VALUES, ITEMS
from service.inventory import feed
from service.inventory.records import Item, among, asking_ratio, dumped, item_in

_KEEP = update(ITEMS).where(ITEMS.c.stock_number == bindparam("of_item"))
_NOTE = insert(ITEM_VALUES)
_LONGEST_FAILURE = 500  # characters


class Valued(NamedTuple):
    """The value of an item as this version of it was said."""

    stock_number: str
    version: int
    asking: Amount | None
    found: Valuation


class Failed(NamedTuple):
    """An item that no value was found for, and why."""

    stock_number: str
    version: int
    error: BookmatchError


def value_rows(valuer: Valuer, rows: Sequence[Row[Any]], day: date) -> list[Valued | Failed]:
    """Value the items of these rows as of this day, at once; each in its own market and currency."""
    return value_items(valuer, [(item_in(row), row.version) for row in rows], day)


def value_items(valuer: Valuer, items: Sequence[tuple[Item, int]], day: date) -> list[Valued | Failed]:
    """Value items as `value_rows` does, each with the version that its row has or is going to have."""
    asked = [Asked(Subject(item.instrument, day, item.channel), item.currency) for item, _ in items]
    return [
        Valued(item.stock_number, version, item.asking, found)
        if isinstance(found, Valuation)
        else Failed(item.stock_number, version, found)
        for (item, version), found in zip(items, value_asked(asked, valuer), strict=True)
    ]


def keep(
    connection: Connection,
    outcomes: Sequence[Valued | Failed],
    now: datetime,
    revaluation_id: str | None = None,
    *,
    changes: Mapping[str, str] | None = None,
) -> list[str]:
    """Keep the values with their items and in the history, and tell the feed; return whose were kept.

    An outcome of an item that was changed or deleted since it was valued is left out. A failure leaves the
    last value as it is. `changes`: what the feed is told of an item, where that is not `valued`; items that
    were changed in this transaction without a new value stand in it too.
    """
    feed.lock(connection)
    rows = among(connection, [one.stock_number for one in outcomes])
    kept = [one for one in outcomes if _is_of(rows.get(one.stock_number), one)]
    valued = [one for one in kept if isinstance(one, Valued)]
    failed = [one for one in kept if isinstance(one, Failed)]
    if valued:
        connection.execute(_KEEP, [_columns(one) for one in valued])
        connection.execute(
            _NOTE, [_history(rows[one.stock_number], one, now, revaluation_id) for one in valued]
        )
    news = [one for one in failed if rows[one.stock_number].failure != failure_of(one.error)]
    if news:
        connection.execute(
            _KEEP, [{"of_item": one.stock_number, "failure": failure_of(one.error)} for one in news]
        )
    names = [*(one.stock_number for one in valued), *(one.stock_number for one in news)]
    told = {**dict.fromkeys(names, feed.VALUED), **(changes or {})}
    feed.record(connection, list(told.items()))
    return [one.stock_number for one in kept]


def value_stands(before: Row[Any], item: Item, valuer: Valuer, day: date) -> bool:
    """Say whether the item's value of this day would be the one that its row has already."""
    return (
        before.deleted is None
        and before.failure is None
        and (before.valued_on, before.price_model, before.currency) == (day, valuer.version, item.currency)
        and (before.instrument, before.channel) == (item.columns()["instrument"], item.channel)
    )


def failure_of(error: BookmatchError) -> str:
    """Return what is kept of the reason why an item could not be valued."""
    field = error.faults[0].field if isinstance(error, InputError) and error.faults else None
    return dumped({"field": field, "problem": str(error)[:_LONGEST_FAILURE]})


def _is_of(row: Row[Any] | None, one: Valued | Failed) -> bool:
    return row is not None and row.deleted is None and row.version == one.version


def _columns(one: Valued) -> dict[str, Any]:
    """Return the columns of the item that show its value."""
    found = one.found
    value = Amount(str(found.value), found.currency)
    return {
        "of_item": one.stock_number,
        "value": dumped(value._asdict()),
        "intervals": _intervals(found),
        "valued_on": found.day,
        "price_model": found.model_version,
        "evidence": found.evidence.word,
        "detail": dumped(detail_of(found)),
        "failure": None,
        "amount": float(found.value),
        "currency": found.currency,
        "rate": found.rate,
        "asking_ratio": asking_ratio(one.asking, value),
    }


def _history(row: Row[Any], one: Valued, now: datetime, revaluation_id: str | None) -> dict[str, Any]:
    found = one.found
    return {
        "stock_number": one.stock_number,
        "version": one.version,
        "at": now,
        "valued_on": found.day,
        "price_model": found.model_version,
        "instrument": row.instrument,
        "channel": found.channel,
        "value": dumped(Amount(str(found.value), found.currency)._asdict()),
        "amount": float(found.value),
        "currency": found.currency,
        "intervals": _intervals(found),
        "rate": found.rate,
        "rate_day": found.rate_day,
        "why": "[]",
        "revaluation_id": revaluation_id,
    }


def _intervals(found: Valuation) -> str:
    return dumped([{"level": i.level, "low": str(i.low), "high": str(i.high)} for i in found.intervals])


def detail_of(found: Valuation) -> dict[str, Any]:
    """Return what stands behind a value: its reasons by family, claims, cautions and exchange rate."""
    return {
        "reference_value": str(found.reference_value),
        "reasons": [
            {"family": str(one.family), "amount": str(one.amount), "effect": one.effect}
            for one in found.families
        ],
        "claims": [
            {"field": one.field, "label": one.label, "amount": str(one.amount), "proof": one.proof}
            for one in found.claims
        ],
        "cautions": [
            {"code": one.code, "text": one.text, "field": one.field, "as_of": one.as_of.isoformat()}
            for one in found.cautions
        ],
        "rate_day": found.rate_day.isoformat(),
        "rate_source": found.rate_source,
        "provisional": found.provisional,
    }
