"""The example of a record in the documentation, of this service's own catalogue, as JSON and as a file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from models.domain.catalogue import Catalogue
from service.api.values.examples import example_request, example_table


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
    """The record as a file of one row."""
    return example_table(record)
