"""The example of a request in the documentation, for a model of this service's own catalogue."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

from models.domain.catalogue import Catalogue
from models.domain.instrument import Instrument


def example_request(catalogue: Catalogue) -> dict[str, Any]:
    """Return a request for the first model of the catalogue."""
    model = catalogue.models[0]
    instrument: dict[str, Any] = {
        "maker": model.maker,
        "model": model.name,
        "year": (model.first_year + model.last_year) // 2,
        "condition": {"top": 2, "neck": 3, "electronics": "working", "structure": "sound"},
        "originality": {"finish": "original", "pickups": "period"},
        "provenance": {"case": "original"},
    }
    if model.finishes:
        instrument["finish"] = model.finishes[0].name
    return {"instrument": instrument, "channel": "private", "levels": [0.8, 0.95]}


def example_table(row: Mapping[str, Any]) -> str:
    """A row, its instrument nested, as a table with a column for each thing that it says."""
    flat = Instrument.from_nested(row["instrument"]).to_flat()
    own = {name: value for name, value in row.items() if name != "instrument"}
    cells = {**own, **{name: cell for name, cell in flat.items() if cell}}
    out = io.StringIO()
    writer = csv.DictWriter(out, cells, lineterminator="\n")
    writer.writeheader()
    writer.writerow(cells)
    return out.getvalue()
