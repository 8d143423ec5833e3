"""Put, show and delete one item; list items, and follow their changes."""

from __future__ import annotations

import base64
import binascii
import re
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, NamedTuple
from urllib.parse import quote

import orjson
from flask import g

from models.errors import BookmatchError, Fault, InputError
from service.api.items.filters import wanted_of
from service.context import bundle, context, today
from service.db.engine import reading, writing
from service.db.item_tables import ITEMS
from service.errors import FaultyRequestError, Located
from service.http.hooks.conditional import check_absent, check_unchanged
from service.http.pagination import USUAL, link_after
from service.http.queries import Query
from service.http.schemas import moment
from service.inventory import feed, records
from service.inventory.listing import items_where
from service.inventory.moves import Moves
from service.inventory.putting import Author, Rows, Stock
from service.inventory.records import Item

PATH = "/v1/items"
_CURSOR = re.compile(r"after-([A-Za-z0-9_-]{2,600})", re.ASCII)
_AFTER = re.compile(r"\d{1,18}", re.ASCII)


class PutAnswer(NamedTuple):
    """The item as it is now, as JSON, and whether it was not there before."""

    body: bytes
    new: bool


def path_of(stock_number: str) -> str:
    """Return the path of an item."""
    return f"{PATH}/{quote(stock_number)}"


def author() -> Author:
    """Return this request's key, with the price model of this moment."""
    valuer, parts = bundle().valuer, context()
    return Author(g.caller.key_id, valuer, today(), Moves.of(valuer, parts.live, parts.bundle_cache))


def put(item: Item) -> PutAnswer:
    """Write an item and value it. Raises InputError, or PreconditionFailed."""

    def check(rows: Rows) -> None:
        row = rows.get(item.stock_number)
        now = None if row is None or row.deleted is not None else _answer(row)
        check_unchanged(now)
        check_absent(now)

    done = Stock(context().engine, author(), check=check).put([item])
    count_words(Counter(done.words))
    result = done.results[item.stock_number]
    if isinstance(result, BookmatchError):
        raise result
    return PutAnswer(_answer(done.rows[item.stock_number]), result == feed.CREATED)


def count_words(words: Mapping[str, int]) -> None:
    """Count new values in the figures, by their words for evidence."""
    for word, count in words.items():
        context().figures.valued(word, count)


def show(stock_number: str) -> bytes:
    """Return the item as JSON. Raises UnknownRecordError, ItemDeletedError."""
    with reading(context().engine) as connection:
        return _answer(records.item_of(connection, stock_number))


def delete(stock_number: str) -> dict[str, Any]:
    """Delete an item. Raises UnknownRecordError, ItemDeletedError, PreconditionFailed."""
    with writing(context().engine) as connection:
        feed.lock(connection)
        before, now = records.item_of(connection, stock_number), datetime.now(UTC)
        check_unchanged(_answer(before))
        records.delete(connection, before, g.caller.key_id, now)
        feed.record(connection, [(stock_number, feed.DELETED)])
    return {"stock_number": stock_number, "deleted": moment(now)}


def _answer(row: Any) -> bytes:
    return orjson.dumps(records.shown(row))


def read_cursor(text: str) -> str:
    """Read the stock number after which a page begins. Raises InputError."""
    found = _CURSOR.fullmatch(text)
    try:
        name = base64.urlsafe_b64decode(found[1] + "=" * (-len(found[1]) % 4)).decode() if found else ""
    except (binascii.Error, UnicodeDecodeError):
        name = ""
    if records.is_possible(name):
        return name
    step = "follow the link of an answer, or leave it out to begin"
    raise InputError([Fault("cursor", text, "is not a cursor of this list", "one from a link", step)])


CURSOR = Query(
    "cursor",
    "where the page starts: taken from the Link of the page before",
    {"type": "string", "pattern": f"^{_CURSOR.pattern}$"},
    read_cursor,
)


def listed(asked: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of items, and the header with the link to the next one. Raises FaultyRequestError."""
    limit, after = asked["limit"] or USUAL, asked["cursor"] or ""
    query = items_where(wanted_of(asked), today()).where(ITEMS.c.stock_number > after).limit(limit + 1)
    with reading(context().engine) as connection:
        found = connection.execute(query).all()
    page = found[:limit]
    more = len(found) > limit
    return {"items": [records.shown(row, detail=False) for row in page]}, (
        link_after(_cursor(page[-1].stock_number)) if more else {}
    )


def _cursor(stock_number: str) -> str:
    return base64.urlsafe_b64encode(stock_number.encode()).decode().rstrip("=")


def read_after(text: str) -> int:
    """Read the position after which changes are wanted. Raises InputError."""
    if _AFTER.fullmatch(text):
        return int(text)
    step = "send the `next` of an answer, or leave it out to begin"
    raise InputError([Fault("after", text, "is no position of this feed", "the next of an answer", step)])


AFTER = Query(
    "after",
    "next of the answer before; left out: from the beginning",
    {"type": "string", "pattern": f"^{_AFTER.pattern}$"},
    read_after,
)


def changes(after: int, limit: int) -> dict[str, Any]:
    """Return the items that were last changed after this position, and the position to go on from."""
    with reading(context().engine) as connection:
        rows = feed.changes_after(connection, after, limit)
        if not rows and after > feed.last_position(connection):
            # The database was restored to an earlier state: what was followed since then is not in it.
            step = "begin again without after, and replace what you have"
            fault = Fault("after", str(after), "is ahead of this feed", "the next of an answer", step)
            raise FaultyRequestError([Located(None, fault)])
    return {
        "changes": [
            {
                "stock_number": row.stock_number,
                "change": row.last_change,
                "item": None if row.deleted is not None else records.shown(row, detail=False),
            }
            for row in rows
        ],
        "next": str(rows[-1].position if rows else after),
    }
