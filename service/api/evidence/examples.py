"""The example of a record in the documentation, of this service's own catalogue, as JSON and as a file."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

from models.domain.catalogue import Catalogue
from models.domain.evidence import OWN_COLUMNS
from models.domain.instrument import Instrument
from service.api.values.examples import example_request


def example_record(catalogue: Catalogue) -> dict[str, Any]:
    """Return a closed sale of the first model of the catalogue as JSON."""
    return {
        "id": "2026-014",
        "kind": "sale",
        "date": "2026-01-02",
        "price": "1850.00",
        "currency": "USD",
        "channel": "private",
        "source": "said by the buyer",
        "instrument": example_request(catalogue)["instrument"],
    }


def example_file(record: Mapping[str, Any]) -> str:
    """Return the record as a CSV file of one row."""
    flat = Instrument.from_nested(record["instrument"]).to_flat()
    row = {**{name: record[name] for name in OWN_COLUMNS}, **{k: v for k, v in flat.items() if v}}
    out = io.StringIO()
    writer = csv.DictWriter(out, row, lineterminator="\n")
    writer.writeheader()
    writer.writerow(row)
    return out.getvalue()
