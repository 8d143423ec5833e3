"""The stock list that the documentation shows: one instrument of the catalogue that serves, in both forms."""

from __future__ import annotations

import csv
import io
from typing import Any

from models.domain.catalogue import Catalogue
from models.domain.instrument import Instrument
from service.api.values.examples import example_request


def example_row(catalogue: Catalogue) -> dict[str, Any]:
    """One row as an object."""
    return {"id": "A1", "instrument": example_request(catalogue)["instrument"], "channel": "dealer"}


def example_list(catalogue: Catalogue) -> str:
    """The same row as a table."""
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
