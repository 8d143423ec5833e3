"""The example of a stock list in the documentation: one instrument of the catalogue, as CSV and JSON."""

from __future__ import annotations

import csv
import io
from typing import Any

from models.domain.catalogue import Catalogue
from models.domain.instrument import Instrument
from service.api.values.examples import example_request


def example_row(catalogue: Catalogue) -> dict[str, Any]:
    """Return one row of a stock list as a JSON object."""
    return {"id": "A1", "instrument": example_request(catalogue)["instrument"], "channel": "dealer"}


def example_list(catalogue: Catalogue) -> str:
    """Return the same row as a CSV file."""
    row = example_row(catalogue)
    flat = Instrument.from_nested(row["instrument"]).to_flat()
    cells = {
        "id": row["id"],
        "channel": row["channel"],
        **{name: cell for name, cell in flat.items() if cell},
    }
    out = io.StringIO()
    writer = csv.DictWriter(out, cells, lineterminator="\n")
    writer.writeheader()
    writer.writerow(cells)
    return out.getvalue()
