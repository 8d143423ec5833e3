"""GET /v1/items.csv and /v1/items.xlsx: the stock as a sheet, which can be edited and sent back."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import IO, Any

import orjson
from flask import Response, request
from sqlalchemy import Engine, Row, Select

from models.costs import MOST_SHEET_COLUMNS, MOST_SHEET_ROWS
from models.errors import Fault
from service.api.items.columns import KNOWN, cells_of, csv_cell, header_of
from service.api.items.filters import FILTERS, wanted_of
from service.api.items.workbooks import kinds_of, workbook_of
from service.children.runner import ChildFailedError
from service.context import context, today
from service.db.engine import reading
from service.db.item_tables import ITEMS
from service.errors import FaultyRequestError, Located
from service.http.blueprint import Blueprint
from service.http.hooks.conditional import tag_of
from service.http.responses import CSV, XLSX, raw_response
from service.http.uploads import needing_room, spool
from service.inventory import feed
from service.inventory.listing import items_where

blp = Blueprint(
    "item_sheets",
    __name__,
    url_prefix="/v1",
    description="The stock as a sheet: edit it, and send it back to `POST /v1/items`.",
)
_AT_ONCE = 500
_MOST_OWN = MOST_SHEET_COLUMNS - len(KNOWN)
_SHEET = (
    f"a row for each item, with the columns {', '.join(KNOWN)}, and one for each member of `extra`. A column "
    "reason_… has the amount of that family; claims and cautions are separated by semicolons"
)
_HEADERS = {"Content-Disposition": "a name for the file"}


@blp.route("/items.csv")
@blp.authorize("inventory")
@blp.query(*FILTERS)
@blp.row_response({CSV: {"type": "string", "description": f"CSV: {_SHEET}"}}, "The items.", headers=_HEADERS)
def export_items(**asked: Any) -> Response:
    """Export items as CSV, all that the filters leave, without pages.

    Edit it and send it to `POST /v1/items`: what you changed is changed, and nothing else. Columns of the
    value are only shown. A text that a spreadsheet program would take for a formula has an apostrophe before
    it, which is taken off again when the file is sent back.
    """
    query, engine = items_where(wanted_of(asked), today()), context().engine
    headers = {"Content-Disposition": 'attachment; filename="items.csv"'}
    with reading(engine) as connection:
        state = feed.last_position(connection)
    response = Response(_csv(engine, query, _own(engine, query)), 200, headers, mimetype=CSV)
    response.set_etag(tag_of(orjson.dumps([state, KNOWN, today(), request.full_path])))
    return response


@blp.route("/items.xlsx")
@blp.authorize("inventory")
@blp.query(*FILTERS)
@blp.response(
    200,
    {"type": "string", "format": "binary", "description": f"XLSX: {_SHEET}"},  # type: ignore[arg-type]
    "The items.",
    headers=_HEADERS,
    content_type=XLSX,
)
def export_workbook(**asked: Any) -> Response:
    """Export items as a workbook (XLSX), all that the filters leave; of at most 50,000 items.

    Edit it and send it to `POST /v1/items`: what you changed is changed, and nothing else. Columns of the
    value are only shown. All text is text, whatever it begins with: no cell is a formula.
    """
    query, engine = items_where(wanted_of(asked), today()), context().engine
    with spool() as kept:
        with needing_room():
            _pack(engine, query, kept)
        try:
            made = workbook_of(kept)
        except ChildFailedError:
            raise _too_many("need too long to be written") from None
    headers = {"Content-Disposition": 'attachment; filename="items.xlsx"'}
    return raw_response(made, 200, headers, XLSX)


def _too_many(problem: str) -> FaultyRequestError:
    allowed, step = f"at most {MOST_SHEET_ROWS:,} items", "filter them, or ask for items.csv"
    return FaultyRequestError([Located(None, Fault("items", None, problem, allowed, step))])


def _pages(engine: Engine, query: Select[Any]) -> Iterator[Sequence[Row[Any]]]:
    """Yield the rows in pieces; each is read in a transaction of its own, so that no writer waits long."""
    after = ""
    while True:
        with reading(engine) as connection:
            rows = connection.execute(query.where(ITEMS.c.stock_number > after).limit(_AT_ONCE)).all()
        if not rows:
            return
        yield rows
        after = rows[-1].stock_number


def _own(engine: Engine, query: Select[Any]) -> list[str]:
    """Return the members of the caller's own that any of the items has, in the order in which they appear."""
    names = dict[str, None]()
    only = query.with_only_columns(ITEMS.c.extra)
    with reading(engine) as connection:
        for extra in connection.execute(only.execution_options(yield_per=_AT_ONCE)).scalars():
            names |= dict.fromkeys(orjson.loads(extra))
    return [*names]


def _csv(engine: Engine, query: Select[Any], own: Sequence[str]) -> Iterator[str]:
    header = header_of(own)
    yield _written([[csv_cell(name) for name in header]])
    for rows in _pages(engine, query):
        found = [cells_of(row) for row in rows]
        yield _written([[csv_cell(cells.get(name)) for name in header] for cells in found])


def _written(rows: Sequence[Sequence[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def _pack(engine: Engine, query: Select[Any], kept: IO[bytes]) -> None:
    """Write the lines that the workbook is made of. Raises FaultyRequestError if there are too many."""
    own, count = _own(engine, query), 0
    if len(own) > _MOST_OWN:
        raise _too_many(f"have {len(own)} different members of `extra`, and a sheet has room for {_MOST_OWN}")
    header = header_of(own)
    kept.write(orjson.dumps([header, kinds_of(header)]) + b"\n")
    for rows in _pages(engine, query):
        count += len(rows)
        if count > MOST_SHEET_ROWS:
            raise _too_many("are too many for a workbook")
        for row in rows:
            cells = cells_of(row)
            kept.write(orjson.dumps([cells.get(name) for name in header]) + b"\n")
