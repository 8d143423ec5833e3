"""Items in the database. The row of a deleted one stays, so that followers learn of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, NamedTuple

import orjson
from sqlalchemy import Connection, Row, bindparam, insert, select, update

from models.domain.instrument import Instrument
from models.domain.money import BASE_CURRENCY, Amount
from models.domain.names import normal
from models.domain.vocabulary import DEFAULT_CHANNEL
from service.db.item_tables import ITEMS
from service.errors import ItemDeletedError, UnknownRecordError

IN_STOCK = "in_stock"
STATUSES = (IN_STOCK, "reserved", "sold", "withdrawn")
LONGEST_STOCK_NUMBER = 100  # the width of its column
Extra = Mapping[str, str | int | float | bool | None]

_FIND = select(ITEMS).where(ITEMS.c.stock_number == bindparam("wanted"))
_AMONG = select(ITEMS).where(ITEMS.c.stock_number.in_(bindparam("wanted", expanding=True)))
_ADD = insert(ITEMS)
_CHANGE = update(ITEMS).where(ITEMS.c.stock_number == bindparam("of_item"))
_AT_ONCE = 500  # stock numbers that one statement asks for


@dataclass(frozen=True, slots=True)
class Item:
    """An item as the dealer describes it. `extra`: members of the dealer's own, which mean nothing here."""

    stock_number: str
    instrument: Instrument
    cost: Amount | None = None
    asking: Amount | None = None
    bought: date | None = None
    channel: str = DEFAULT_CHANNEL
    status: str = IN_STOCK
    extra: Extra = field(default_factory=dict)

    def columns(self) -> dict[str, Any]:
        """Return the columns of what is said; two items say the same if these are equal."""
        return {
            "instrument": dumped(self.instrument.to_nested()),
            "maker": normal(self.instrument.maker),
            "model": normal(self.instrument.model),
            "cost": _amount(self.cost),
            "asking": _amount(self.asking),
            "bought": self.bought,
            "channel": self.channel,
            "status": self.status,
            "extra": dumped(self.extra),
        }

    @property
    def currency(self) -> str:
        """The currency in which it is valued: that of its asking price, else of its cost, else US dollars."""
        return currency_of(self.asking, self.cost)


class Put(NamedTuple):
    """An item to be written: as it is said, and the row that stood before, None where there was none."""

    item: Item
    before: Row[Any] | None


def currency_of(asking: Amount | None, cost: Amount | None) -> str:
    """Return the currency in which an item with these amounts is valued."""
    priced = asking or cost
    return priced.currency if priced else BASE_CURRENCY


def asking_ratio(asking: Amount | None, value: Amount | None) -> float | None:
    """Return the asking price over the value, which is in its currency; None without either."""
    return float(asking.amount) / float(value.amount) if asking and value else None


def amount_in(text: str | None) -> Amount | None:
    """Read an amount from the JSON text that a column keeps."""
    return None if text is None else Amount(**orjson.loads(text))


def dumped(value: Any) -> str:
    """Return a value as the JSON text that a column keeps."""
    return orjson.dumps(value).decode()


def _amount(amount: Amount | None) -> str | None:
    return None if amount is None else dumped(amount._asdict())


def look(connection: Connection, stock_number: str) -> Row[Any] | None:
    """Return the item's row, also of a deleted one; None if there is none."""
    return connection.execute(_FIND, {"wanted": stock_number}).first() if is_possible(stock_number) else None


def is_possible(stock_number: str) -> bool:
    """Say whether a text can be a stock number; others can hold characters that the database refuses."""
    return 0 < len(stock_number) <= LONGEST_STOCK_NUMBER and stock_number.isprintable()


def item_of(connection: Connection, stock_number: str) -> Row[Any]:
    """Return the item's row. Raises UnknownRecordError, ItemDeletedError."""
    row = look(connection, stock_number)
    if row is None:
        raise UnknownRecordError("There is no item with this stock number.")
    if row.deleted is not None:
        raise ItemDeletedError(f"The item was deleted on {row.deleted.date().isoformat()}.")
    return row


def among(connection: Connection, stock_numbers: Iterable[str]) -> dict[str, Row[Any]]:
    """Return the rows that exist with these stock numbers, by stock number, deleted ones too."""
    wanted, found = list(stock_numbers), dict[str, Row[Any]]()
    for start in range(0, len(wanted), _AT_ONCE):
        rows = connection.execute(_AMONG, {"wanted": wanted[start : start + _AT_ONCE]})
        found |= {row.stock_number: row for row in rows}
    return found


def says_the_same(before: Row[Any], item: Item) -> bool:
    """Say whether the row, of an item that is there, says what the item says."""
    return before.deleted is None and all(
        getattr(before, name) == value for name, value in item.columns().items()
    )


def write(connection: Connection, puts: Sequence[Put], key_id: str, now: datetime) -> None:
    """Write items, new ones and changed ones; a deleted one is there again.

    The feed is locked before (`feed.lock`). Who calls it keeps a new value of each whose value does not stand
    (`valuing.value_stands`), and tells the feed.
    """
    new, changed = list[dict[str, Any]](), list[dict[str, Any]]()
    for item, before in puts:
        row = {**item.columns(), "key_id": key_id, "changed": now, "deleted": None}
        if before is None:
            first = {"created": now, "version": 1, "last_change": "created"}
            new.append({**row, **first, "stock_number": item.stock_number})
        else:
            ratio = asking_ratio(item.asking, amount_in(before.value))
            more = {"version": before.version + 1, "asking_ratio": ratio, "of_item": item.stock_number}
            changed.append({**row, **more})
    if new:
        connection.execute(_ADD, new)
    if changed:
        connection.execute(_CHANGE, changed)


def delete(connection: Connection, before: Row[Any], key_id: str, now: datetime) -> None:
    """Mark an item as deleted. The feed is locked before, and told after."""
    gone = {"deleted": now, "changed": now, "version": before.version + 1, "key_id": key_id}
    connection.execute(_CHANGE, [{**gone, "of_item": before.stock_number}])


def item_in(row: Row[Any]) -> Item:
    """Return the item as its row says it."""
    return Item(
        row.stock_number,
        Instrument.from_nested(orjson.loads(row.instrument)),
        amount_in(row.cost),
        amount_in(row.asking),
        row.bought,
        row.channel,
        row.status,
        orjson.loads(row.extra),
    )


def shown(row: Row[Any], *, detail: bool = True) -> dict[str, Any]:
    """Return the item as every answer has it. `detail`: with what stands behind the value."""
    answer = {
        "stock_number": row.stock_number,
        **{name: _loaded(getattr(row, name)) for name in ("instrument", "cost", "asking")},
        "bought": _day(row.bought),
        "channel": row.channel,
        "status": row.status,
        "extra": orjson.loads(row.extra),
        "version": row.version,
        "created": _moment(row.created),
        "changed": _moment(row.changed),
        **{name: _loaded(getattr(row, name)) for name in ("value", "intervals")},
        "valued_on": _day(row.valued_on),
        "price_model": row.price_model,
        "evidence": row.evidence,
        "failure": _loaded(row.failure),
    }
    return {**answer, "detail": _loaded(row.detail)} if detail else answer


def _loaded(text: str | None) -> Any:
    return None if text is None else orjson.loads(text)


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _moment(at: datetime) -> str:
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
