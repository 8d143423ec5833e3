"""The stock list that the documentation shows: one instrument of the catalogue that serves, in both forms."""

from __future__ import annotations

from typing import Any

from models.domain.catalogue import Catalogue
from service.api.values.examples import example_request, example_table


def example_row(catalogue: Catalogue) -> dict[str, Any]:
    """One row as an object."""
    return {"id": "A1", "instrument": example_request(catalogue)["instrument"], "channel": "dealer"}


def example_list(catalogue: Catalogue) -> str:
    """The same row as a table."""
    return example_table(example_row(catalogue))
