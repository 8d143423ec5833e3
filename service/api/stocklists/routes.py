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
    description="Values of many instruments at once. They are streamed as they are made, and not kept.",
)
_IN = {
    CSV: {
        "title": "StockCsv",
        "type": "string",
        "description": "CSV whose header row names id, maker and model. It can also name date, channel, "
        "currency and the other fields of the instrument, by their flat names (see the vocabulary)",
    },
    NDJSON: blp.lines_of(StockRowSchema),
}
_OUT = {
    CSV: {
        "type": "string",
        "description": "CSV with the columns id, value, low_ and high_ of each level, currency, rate_day "
        "(day of the exchange rate), date, channel, reference_value, effect_ of each family, evidence, "
        "cautions (codes, separated by semicolons) and error",
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
    "One row for each row of the list, in the same order; a row that cannot be valued says why.",
    headers={
        "Model-Version": "the version of the price model that made all values",
        "Model-Provisional": "true if that price model is provisional, else false",
        "Ignored-Columns": "columns of the list that were ignored, percent-encoded, separated by commas",
    },
)
def value_stocklist(form: str, rows: IO[bytes], **asked: Any) -> Response:
    """Value a stock list of any length; nothing is kept.

    CSV is answered with CSV and NDJSON with NDJSON, row by row. One price model makes all values, even if
    another is promoted meanwhile, and each value is the one that the instrument would get alone. If the
    answer breaks off, HTTP shows it, and the rows received are good. Where 500 rows are refused one after the
    other, the list is not read on, and the last row of the answer says from which line.
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
