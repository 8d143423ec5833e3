"""POST /v1/stocklists: any number of instruments in, their values out, in the same form and order."""

from __future__ import annotations

from collections.abc import Sequence
from typing import IO, Any
from urllib.parse import quote

from flask import Response, stream_with_context

from service.api.stocklists.queries import TERMS, terms_of
from service.api.stocklists.schemas import StockRowSchema, StockValueSchema
from service.api.stocklists.services import begun, open_list, stream
from service.context import bundle
from service.http.blueprint import Blueprint
from service.http.responses import CSV, NDJSON

blp = Blueprint(
    "stocklists",
    __name__,
    url_prefix="/v1",
    description="Many instruments at once: their values are streamed while they are made, and not kept.",
)
_IN = {
    CSV: {
        "title": "StockCsv",
        "type": "string",
        "description": "a header row with id, maker and model, and any of the instrument's fields, date, "
        "channel and currency; flat names, as the vocabulary has them",
    },
    NDJSON: blp.lines_of(StockRowSchema),
}
_OUT = {
    CSV: {
        "type": "string",
        "description": "id, value, low_ and high_ for each level, currency, rate_day (the day of its "
        "exchange rate), date, channel, reference_value, effect_ for each family, evidence, cautions (codes "
        "with semicolons between them) and error",
    },
    NDJSON: blp.lines_of(StockValueSchema),
}
_MOST_NAMED = 20  # largest number of ignored columns that the header names


@blp.route("/stocklists", methods=["POST"])
@blp.authorize("valuations")
@blp.query(*TERMS)
@blp.row_arguments(_IN)
@blp.row_response(
    _OUT,
    "The values, a row for each row and in the same order; a row that cannot be valued says why.",
    headers={
        "Model-Version": "the price model that made all of the values",
        "Model-Provisional": "whether that price model is provisional: true or false",
        "Ignored-Columns": "columns of the list that mean nothing here, percent-encoded, between commas",
    },
)
def value_stocklist(form: str, rows: IO[bytes], **asked: Any) -> Response:
    """Value a stock list of any length; nothing is kept.

    CSV is answered by CSV, NDJSON by NDJSON. One price model makes all of the values, whatever is promoted
    meanwhile, and each value is the one that the same instrument gets alone. If an answer breaks off, which
    HTTP shows, all rows before that are valid.
    """
    found = bundle()
    stock = open_list(form, rows, found.valuer, terms_of(asked))
    headers = {
        "Model-Version": found.version,
        "Model-Provisional": "true" if found.valuer.provisional else "false",
        "Ignored-Columns": _named(stock.ignored),
    }
    return Response(stream_with_context(stream(begun(stock))), 200, headers, mimetype=form)


def _named(columns: Sequence[str]) -> str:
    return ", ".join(quote(name[:80], safe="") for name in columns[:_MOST_NAMED])
