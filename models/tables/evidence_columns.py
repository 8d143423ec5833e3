"""The columns of a record of evidence in a database: the service writes this form and training reads it.

No database is opened here: this module maps the parts of a record to columns.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

import orjson

from models.domain.evidence import Evidence
from models.domain.instrument import Instrument
from models.domain.names import normal

TABLE = "evidence"
# `seq` counts up in the order in which records were taken; `withdrawn` is null while a record is used.
ORDER, WITHDRAWN = "seq", "withdrawn"
# `maker` and `model` are as names are compared, to be searched by; the instrument is JSON, nested.
COLUMNS = (
    "id",
    "kind",
    "day",
    "price",
    "currency",
    "channel",
    "source",
    "maker",
    "model",
    "instrument",
)


def to_row(e: Evidence) -> dict[str, Any]:
    """The columns of a record. The price is text: a number would lose what a decimal holds."""
    it = e.instrument
    named = (normal(it.maker), normal(it.model), orjson.dumps(it.to_nested()).decode())
    own = (e.id, e.kind, e.day, str(e.price), e.currency, e.channel, e.source)
    return dict(zip(COLUMNS, (*own, *named), strict=True))


def from_row(row: Mapping[str, Any]) -> Evidence:
    """The record that `to_row` wrote; `day` is a date."""
    day: date = row["day"]
    return Evidence(
        row["id"],
        row["kind"],
        day,
        Decimal(row["price"]),
        row["currency"],
        row["channel"],
        row["source"],
        Instrument.from_nested(orjson.loads(row["instrument"])),
    )
