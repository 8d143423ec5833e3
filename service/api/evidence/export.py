"""GET /v1/evidence.csv: all records as the file that they could have come from."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

import orjson
from flask import Response, request
from sqlalchemy import Engine

from models.domain.evidence import EVIDENCE_COLUMNS
from models.tables.evidence_columns import ORDER, from_row
from service.api.evidence import records
from service.api.evidence.listing import FILTERS, wanted_of
from service.context import context
from service.db.engine import reading
from service.http.blueprint import Blueprint
from service.http.hooks.conditional import tag_of
from service.http.responses import CSV

blp = Blueprint(
    "evidence_export",
    __name__,
    url_prefix="/v1/evidence.csv",
    description="All evidence as one file, in the form in which it is taken in and fitted.",
)
_AT_ONCE = 1_000
_FORM = {
    "type": "string",
    "description": f"CSV with the columns {', '.join(EVIDENCE_COLUMNS)}; a field that is not known is empty",
}
_HEADERS = {"Content-Disposition": "a name for the file"}


@blp.route("")
@blp.authorize("evidence")
@blp.query(*FILTERS)
@blp.row_response({CSV: _FORM}, "The records, in the order in which they were recorded.", headers=_HEADERS)
def export_evidence(**asked: Any) -> Response:
    """Export records as CSV, all that the filters leave, without pages.

    The file can be sent to `POST /v1/evidence` of another service, or given to `bookmatch fit`, and says the
    same there. Text is written as it was recorded, also where a spreadsheet program would take it for a
    formula: open the file there by importing all columns as text. It says nothing of warnings and changes.
    """
    wanted = wanted_of(asked)
    with reading(context().engine) as connection:
        state = records.state(connection)
    headers = {"Content-Disposition": 'attachment; filename="evidence.csv"'}
    response = Response(_rows(context().engine, wanted), 200, headers, mimetype=CSV)
    response.set_etag(tag_of(orjson.dumps([state, EVIDENCE_COLUMNS, request.full_path])))
    return response


def _rows(engine: Engine, wanted: dict[str, Any]) -> Iterator[str]:
    """Yield the file in pieces; each is read in a transaction of its own, so that no writer waits long."""
    after, piece = 0, _written(EVIDENCE_COLUMNS)
    while piece:
        yield piece
        with reading(engine) as connection:
            found = records.page(connection, wanted, after, _AT_ONCE)
        piece = _written(*(from_row(row).to_flat().values() for row in found))
        after = found[-1][ORDER] if found else after


def _written(*rows: Any) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()
