"""The mapping between a record of evidence and its database columns; the service writes, training reads.

This module opens no database.
"""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import orjson

from models.domain.evidence import Evidence
from models.domain.instrument import Instrument
from models.domain.names import normal

TABLE = "evidence"
# Column names: `seq` numbers the records in order of arrival; `withdrawn` is null while a record is in use.
ORDER, WITHDRAWN = "seq", "withdrawn"
# `warnings`: JSON, a list of the warnings on the record; `confirmed`: when somebody said that it is right in
# spite of them. A record with warnings and without that moment is held out of fits.
WARNINGS, CONFIRMED = "warnings", "confirmed"
NO_WARNINGS = "[]"
# `maker` and `model` hold the normalised names, for searching; `instrument` holds the nested JSON form.
_OWN = ("id", "kind", "day", "price", "currency", "channel", "source")
COLUMNS = (*_OWN, "maker", "model", "instrument")


def to_row(e: Evidence) -> dict[str, Any]:
    """Return a record as column → value. The price is text, since a float would lose decimals."""
    it = e.instrument
    named = (normal(it.maker), normal(it.model), orjson.dumps(it.to_nested()).decode())
    own = (e.id, e.kind, e.day, str(e.price), e.currency, e.channel, e.source)
    return dict(zip(COLUMNS, (*own, *named), strict=True))


def from_row(row: Mapping[str, Any]) -> Evidence:
    """Read a record that `to_row` wrote; `row["day"]` must be a date."""
    own = {name: row[name] for name in _OWN} | {"price": Decimal(row["price"])}
    return Evidence(**own, instrument=Instrument.from_nested(orjson.loads(row["instrument"])))
