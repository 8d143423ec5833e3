"""The example of a stock list in the documentation: one instrument of the catalogue, as CSV and JSON."""

from __future__ import annotations

from typing import Any

from models.domain.catalogue import Catalogue
from service.api.values.examples import example_request, example_table


def example_row(catalogue: Catalogue) -> dict[str, Any]:
    """Return one row of a stock list as a JSON object."""
    return {"id": "A1", "instrument": example_request(catalogue)["instrument"], "channel": "dealer"}


def example_list(catalogue: Catalogue) -> str:
    """The same row as a table."""
    return example_table(example_row(catalogue))
