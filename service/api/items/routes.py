"""PUT, GET and DELETE /v1/items/{stock_number}; GET and POST /v1/items; GET /v1/items/changes."""

from __future__ import annotations

from typing import IO, Any

from flask import Response

from models.costs import MOST_ITEM_LINES
from service.api.items import services
from service.api.items.columns import OWN, REQUIRED, SHOWN
from service.api.items.files import take_file
from service.api.items.filters import FILTERS
from service.api.items.schemas import (
    DeletedItemSchema,
    ItemChangesSchema,
    ItemLineSchema,
    ItemPageSchema,
    ItemSchema,
    ShownItemSchema,
)
from service.faults import ItemReportSchema
from service.http.blueprint import Blueprint, idempotent, unless_changed, unless_there
from service.http.hooks.conditional import MADE
from service.http.hooks.conditional import SHOWN as TAGGED
from service.http.pagination import LINK, PAGED, USUAL
from service.http.queries import flag
from service.http.responses import CSV, NDJSON, XLSX, json_response, raw_response, shown_at
from service.inventory.records import Item

blp = Blueprint(
    "items",
    __name__,
    url_prefix=services.PATH,
    description="A dealer's stock. Each item is valued when it is sent, in its own market and currency. "
    "There is one stock: every key with this scope sees and changes all of it.",
)
_LIMIT = PAGED[0]
_STRICT = flag("strict", "whether a wrong row is an error, so that no row is kept", default=False)
_COLUMNS = (
    f"a header row that names {', '.join(REQUIRED)}. It can also name the other fields of the instrument, by "
    f"their flat names, and {', '.join(OWN)}. The columns {', '.join(SHOWN)} are not read; any other column "
    f"is kept in `extra`. At most {MOST_ITEM_LINES} rows"
)
_FILES = {
    CSV: {"type": "string", "title": "ItemsCsv", "description": f"CSV with {_COLUMNS}"},
    NDJSON: blp.lines_of(ItemLineSchema),
}
_WORKBOOK = {
    "title": "ItemWorkbook",
    "type": "string",
    "format": "binary",
    "description": f"XLSX whose first sheet has {_COLUMNS}",
}


@blp.route("", methods=["POST"])
@blp.authorize("inventory")
@blp.query(_STRICT)
@blp.row_arguments(_FILES, limit="items_limit", binary={XLSX: _WORKBOOK})
@blp.response(200, ItemReportSchema(), "How many rows were written, and why others were not.")
@idempotent
def put_items(form: str, given: IO[bytes], strict: bool | None) -> Response:
    """Write many items from a file: CSV, NDJSON, or a workbook (XLSX).

    A row says a whole item, as PUT does; one that says what the item says already changes nothing. Every
    wrong row is reported with its line and field, and the others are written; with `strict`, none is. Rows
    are written in groups, so that others are answered meanwhile; if the answer does not come, send the file
    again. Sheets of `GET /v1/items.csv` and `/v1/items.xlsx` can be edited and sent back.
    """
    return take_file(form, given, strict=bool(strict)).response()


@blp.route("")
@blp.authorize("inventory")
@blp.query(*FILTERS, _LIMIT, services.CURSOR)
@blp.response(200, ItemPageSchema(), "A page of items.", headers=LINK)
def list_items(**asked: Any) -> Response:
    """List items by stock number, page by page.

    Filters can be combined: an item has to pass all. If there are more items, the header Link leads to the
    next page. Whatever is written meanwhile, an item that stays is on exactly one page.
    """
    found, link = services.listed(asked)
    return json_response(found, headers=link)


@blp.route("/changes")
@blp.authorize("inventory")
@blp.query(services.AFTER, _LIMIT)
@blp.response(200, ItemChangesSchema(), "The changes, in their order.")
def list_item_changes(after: int | None, limit: int | None) -> Response:
    """List what has changed since the answer before, so that another system can follow.

    Begin without `after` and an empty copy; apply each change: store `item` under its stock number, or delete
    it where `item` is null. Then ask again with `next` as `after`, at once while there are changes, else
    later. Each item stands once, at its last change, so that an empty copy is soon complete.
    """
    return json_response(services.changes(after or 0, limit or USUAL))


@blp.route("/<stock:stock_number>")
@blp.authorize("inventory")
@blp.response(200, ShownItemSchema(), "The item as it is now.", problems=(404, 410))
def show_item(stock_number: str) -> Response:
    """Show one item with its value, and what stands behind it.

    In `detail` are the reasons by family, the claims and the cautions. A deleted item is answered with 410.
    """
    return raw_response(services.show(stock_number))


@blp.route("/<stock:stock_number>", methods=["PUT"])
@blp.authorize("inventory")
@blp.arguments(ItemSchema())
@blp.response(200, ShownItemSchema(), "The item as it is now.", problems=(507,), headers=TAGGED)
@blp.response(201, ShownItemSchema(), "The new item.", headers=MADE)
@unless_changed
@unless_there
def put_item(found: Item, stock_number: str) -> Response:
    """Write an item under your own stock number, and value it.

    Send it whole, as it should be; what is left out is not known. The same again changes nothing. An item
    that was deleted is there again. With If-Match it is written only if it has not changed since, with
    `If-None-Match: *` only if there is none yet.
    """
    answer = services.put(found)
    headers = shown_at(services.path_of(stock_number), new=answer.new)
    return raw_response(answer.body, 201 if answer.new else 200, headers)


@blp.route("/<stock:stock_number>", methods=["DELETE"])
@blp.authorize("inventory")
@blp.response(200, DeletedItemSchema(), "The item was deleted.", problems=(404, 410, 507))
@unless_changed
def delete_item(stock_number: str) -> Response:
    """Delete an item. It answers 410 from then on, and followers of the feed learn of it.

    For an item that was sold, rather write its status: the history of its values stays in sight.
    """
    return json_response(services.delete(stock_number))
